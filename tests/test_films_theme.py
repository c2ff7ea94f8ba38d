"""Colours of films: told apart by every eye on either ground, and whole over any other picture."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from films_seen import film, frame
from films_soaked import VIEWS, soaked
from pictures import SIGHT, channels, lab

from poresim.show import style
from poresim.show.films.theme import DARK, LIGHT, Theme

THEMES = {"light": LIGHT, "dark": DARK}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("theme")


def distance(one: str, other: str, sight: str) -> float:
    return float(np.linalg.norm(lab(one, sight) - lab(other, sight)))


def contrast(one: str, other: str) -> float:
    """WCAG 2.1 contrast ratio."""
    light = [style.luminance([round(255 * v) for v in channels(c)]) for c in (one, other)]
    return (max(light) + 0.05) / (min(light) + 0.05)


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
@pytest.mark.parametrize("sight", SIGHT)
def test_liquids_are_told_apart_by_every_eye(theme: Theme, sight: str):
    """As those of figures are: 20 is plain, 2.3 is just seen (Mahy et al. 1994; from memory)."""
    for one, other in itertools.combinations(theme.liquids, 2):
        assert distance(one, other, sight) > 20, (one, other)
    for one in theme.liquids:
        assert distance(one, theme.dry, sight) > 20, one
    assert distance(theme.dry, theme.panel, sight) > 10


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
def test_contrast(theme: Theme):
    """WCAG 2.1, AA: 3 : 1 for what is drawn, 4.5 : 1 for what is read, on the page's ground."""
    for place, liquid in enumerate(theme.liquids):
        assert contrast(liquid, theme.ground) > 3
        assert contrast(liquid, theme.panel) > 3
        assert contrast(theme.text(place), theme.ground) >= 4.5
    for words in (theme.ink, theme.soft):
        assert contrast(words, theme.ground) >= 4.5
    assert contrast(theme.ink, theme.grid) > 3  # the strip of strength


@pytest.mark.parametrize("theme", THEMES.values(), ids=THEMES)
@pytest.mark.parametrize("sight", SIGHT)
def test_grains_and_bars_stand_out_of_every_liquid(theme: Theme, sight: str):
    for liquid in (*theme.liquids, theme.dry):
        seen = max(distance(theme.grain, liquid, sight), distance(theme.ground, liquid, sight))
        assert seen > 20, liquid  # a grain has a rim in the colour of the ground
        assert distance(theme.ground, theme.grain, sight) > 20


def over(image: np.ndarray, colour: str) -> np.ndarray:
    """A picture of straight alpha laid over one colour."""
    alpha = image[..., 3:] / 255
    return image[..., :3] * alpha + np.array(style.rgb(colour)) * (1 - alpha)


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("view", VIEWS)
def test_a_transparent_film_laid_over_its_ground_is_the_opaque_one(folder, view, dark):
    """So its alpha is straight, and clear where nothing is drawn; panels have their own ground."""
    make, text = VIEWS[view]
    record = soaked(text, folder)
    pictures = []
    for transparent in (False, True):
        scene = make([record])
        one = film(scene, [0.3 * scene.until_s], (480, 360), dark=dark, transparent=transparent)
        pictures.append(frame(one, 0))
    theme = one._page.theme
    opaque, clear = pictures
    assert (opaque[..., 3] == 255).all()
    empty = clear[..., 3] == 0
    assert empty.mean() > 0.3 and (clear[..., 3] == 255).mean() > 0.005
    laid = over(clear, theme.ground)
    for cell in getattr(scene, "cells", []):
        cell.of(laid)[...] = over(cell.of(clear), theme.panel)
    off = np.abs(laid - opaque[..., :3]).max(axis=2)
    assert np.quantile(off, 0.99) <= 3
    assert (off > 40).mean() < 0.004, (off > 40).mean()  # halos of bars, which are of the ground
