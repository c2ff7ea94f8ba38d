"""Photographs of drops, rendered from Young-Laplace outlines: what a picture is measured against.

Everything is drawn by exact coverage of pixels (the rasteriser of matplotlib) from the sharp
integrator of drop outlines, then lit, blurred and made noisy. The truth is known to 1e-6 degrees.
Invented: no photograph stands behind the looks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, optimize

import poresim as ps
from poresim.drop.profile import Profile

WIDTH, HEIGHT = 1632, 1224  # 2 megapixels
TENSION, DENSITY = 0.052, 1005.0


@dataclass(frozen=True)
class Scene:
    """What is photographed, and how. Lengths in px unless said otherwise."""

    angle_deg: float
    volume_ul: float
    look: str = "back-lit"  # dark drop before a bright ground | "plain": a translucent drop
    tilt_deg: float = 0.0  # of the camera
    um_per_px: float = 5.0
    blur: float = 1.0
    noise: float = 0.01
    uneven: float = 0.2  # light from edge to edge
    reflection: float = 0.0  # of the drop in the face, share of its contrast
    rough: float = 0.0  # of the face's edge, rms
    texture: float = 0.0  # of the face, share of its brightness
    tension: float = TENSION
    seed: int = 0
    size: tuple[int, int] = (WIDTH, HEIGHT)


def outline(scene: Scene, points: int = 1200) -> Profile:
    """Of that volume."""

    def over(ln_b):
        return _profile(scene, math.exp(ln_b), 2).volume[-1] * 1e9 - scene.volume_ul

    radius = (3 * scene.volume_ul * 1e-9 / (4 * math.pi)) ** (1 / 3)
    low, high = math.log(0.5 * radius), math.log(30 * radius)
    b = math.exp(optimize.brentq(over, low, high, xtol=1e-10))
    return _profile(scene, b, points)


def _profile(scene, b, points):
    return ps.drop_profile(b, DENSITY, scene.tension, scene.angle_deg, points)


def covered(xy: np.ndarray, size: tuple[int, int] = (WIDTH, HEIGHT)) -> np.ndarray:
    """(rows, columns) share of each pixel inside a polygon; pixel (i, j) spans j..j+1, i..i+1."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Polygon

    wide, high = size
    figure = Figure(figsize=(wide / 100, high / 100), dpi=100, facecolor="black")
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, wide), ylim=(high, 0))
    axes.axis("off")
    axes.add_patch(Polygon(xy, closed=True, facecolor="white", linewidth=0, snap=False))
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[:, :, 0] / 255.0


def truth(scene: Scene) -> dict:
    """Where things are: base line's ends, apex, px."""
    shape = outline(scene)
    px = 1e6 / scene.um_per_px
    rng = np.random.default_rng([7, scene.seed])
    wide, high = scene.size
    at = rng.uniform(-40, 40), rng.uniform(-30, 30)
    centre = np.array([wide / 2 + at[0] * wide / WIDTH, 0.72 * high + at[1] * high / HEIGHT])
    turn = math.radians(scene.tilt_deg)
    along = np.array([math.cos(turn), math.sin(turn)])
    up = np.array([math.sin(turn), -math.cos(turn)])
    right = np.stack([shape.x, shape.height - shape.z], 1) * px
    left = right * [-1, 1]
    both = np.concatenate([left[::-1], right[1:]])  # from the left end over the apex to the right
    flat = both @ np.stack([along, up])
    mirrored = (both * [1, -1]) @ np.stack([along, up])
    ends = centre + np.array([-1, 1])[:, None] * shape.base_radius * px * along
    return {
        "drop": centre + flat, "mirror": centre + mirrored, "centre": centre, "along": along,
        "up": up, "ends": ends, "shape": shape,
    }  # fmt: skip


def rendered(scene: Scene) -> np.ndarray:
    """(rows, columns) uint8."""
    t = truth(scene)
    rng = np.random.default_rng([11, scene.seed])
    drop = covered(t["drop"], scene.size)
    face = covered(_face(t, rng, scene), scene.size)
    if scene.rough:  # the liquid follows the bumps below it
        ends = t["ends"]
        below = np.concatenate([ends, ends[::-1] - 8 * scene.rough * t["up"]])
        drop = np.maximum(drop, covered(below, scene.size) * (1 - face))
    wide, high = scene.size
    y, x = np.mgrid[0:high, 0:wide]
    u, v = x / wide - 0.5, y / high - 0.5
    way = rng.uniform(0, 2 * math.pi)
    light = 1 + scene.uneven * (math.cos(way) * u + math.sin(way) * v - 1.5 * (u * u + v * v))
    if scene.look == "back-lit":
        ground, body, stone = 0.85, 0.12, 0.10 if not scene.reflection else 0.55
    else:
        ground, body, stone = 0.62, 0.40, 0.30
    base = np.full_like(drop, stone)
    if scene.texture:
        grain = ndimage.gaussian_filter(rng.normal(size=drop.shape), 2.5)
        base *= 1 + scene.texture * grain / grain.std()
    if scene.reflection:
        mirror = covered(t["mirror"], scene.size)
        fade = np.exp(-np.maximum((np.stack([x, y], -1) - t["centre"]) @ -t["up"], 0) / 250)
        base += scene.reflection * fade * mirror * (body - base)
    inside = np.full_like(drop, body)
    mid = t["drop"].mean(axis=0)
    tall = np.ptp(t["drop"][:, 1])
    spot = np.exp(-(((x - mid[0]) ** 2 + (y - mid[1]) ** 2) / (0.18 * tall) ** 2))
    inside += spot * (0.5 if scene.look == "back-lit" else 0.35)
    picture = ground * light
    picture = picture * (1 - face) + base * (0.5 + 0.5 * light) * face
    picture = picture * (1 - drop) + inside * (0.7 + 0.3 * light) * drop
    picture = ndimage.gaussian_filter(picture, scene.blur)
    picture += rng.normal(0, scene.noise, picture.shape)
    return np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)


def _face(t, rng, scene):
    """The face's edge right through the picture, and what lies below."""
    wide, high = scene.size
    s = np.arange(-1.2 * wide, 1.2 * wide, 1.0)
    bumps = np.zeros_like(s)
    if scene.rough:
        bumps = ndimage.gaussian_filter1d(rng.normal(size=len(s)), 6.0)
        bumps *= scene.rough / bumps.std()
    edge = t["centre"] + s[:, None] * t["along"] + bumps[:, None] * t["up"]
    far = 2 * high * -t["up"]
    return np.concatenate([edge, [edge[-1] + far, edge[0] + far]])


def scenes(count: int = 200, seed: int = 1) -> list[Scene]:
    """15 to 150 degrees, 1 to 20 uL, tilt to 3 degrees, and everything that spoils a photograph."""
    rng = np.random.default_rng([2026, seed])
    found = []
    for k in range(count):
        angle, volume = rng.uniform(15, 150), math.exp(rng.uniform(0, math.log(20)))
        plain = Scene(angle, volume)
        width = 2 * outline(plain, 200).x.max() * 1e6
        shiny = rng.random() < 0.35
        rough = not shiny and rng.random() < 0.5
        found.append(
            Scene(
                angle,
                volume,
                look="back-lit" if shiny or rng.random() < 0.6 else "plain",
                tilt_deg=rng.uniform(-3, 3),
                um_per_px=width / rng.uniform(450, 950),
                blur=rng.uniform(0.6, 2.5),
                noise=rng.uniform(0.003, 0.03),
                uneven=rng.uniform(0, 0.4),
                reflection=rng.uniform(0.3, 0.9) if shiny else 0.0,
                rough=rng.uniform(0.3, 1.5) if rough else 0.0,
                texture=rng.uniform(0.05, 0.3) if rough else 0.0,
                tension=rng.uniform(0.035, 0.072),
                seed=1000 * seed + k,
            )
        )
    return found
