"""Photographs of eyes that do not exist, with the rotation known exactly.

For tests, notebooks and teaching; independent of the package that measures. Angles are in degrees,
counter-clockwise as seen in the picture; pixel centres lie at integers, x to the right and y down.
"""

from synthetic.eye import Eye, random_eye
from synthetic.geometry import Ellipse, project
from synthetic.ink import MarkTruth
from synthetic.layers import Layers, compose, draw_layers
from synthetic.marking import random_marks, with_distractors
from synthetic.presets import PRESETS, draw_pair, draw_views
from synthetic.render import Picture, draw_picture
from synthetic.surface import InkMark, Spot, Surface, Tool
from synthetic.view import Camera, Glint, Lids, Light, View

__all__ = [
    "PRESETS",
    "Camera",
    "Ellipse",
    "Eye",
    "Glint",
    "InkMark",
    "Layers",
    "Lids",
    "Light",
    "MarkTruth",
    "Picture",
    "Spot",
    "Surface",
    "Tool",
    "View",
    "compose",
    "draw_layers",
    "draw_pair",
    "draw_picture",
    "draw_views",
    "project",
    "random_eye",
    "random_marks",
    "with_distractors",
]
