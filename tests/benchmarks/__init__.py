"""Comparison with the general recipe, and checks on folders of real photos kept outside the checkout."""
