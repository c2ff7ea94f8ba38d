"""Cautions for work with food, told where a user plans or runs a test, and beside results."""

from __future__ import annotations

CAUTIONS = (
    "A computed uptake is a hypothesis to test, not a property of your product.",
    "Hot liquids scald: let test broths cool, use a tray and tongs.",
    "Broths, rusks and spices carry allergens (gluten, milk, egg, celery, mustard, sesame): "
    "label and separate them. Do not eat test samples.",
    "Nothing here is a basis for texture-modified diets or any medical use: that takes a "
    "licensed practitioner and the codes that hold where you are.",
)
