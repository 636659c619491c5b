"""The version, a leaf that anything may import."""

__version__ = "0.1.0"
