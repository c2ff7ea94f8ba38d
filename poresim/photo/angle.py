"""A drop's contact angle from its photograph."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from poresim.bench.error import BenchError
from poresim.brief import Brief, Rows, length, volume
from poresim.drop.flattened import cap_bias
from poresim.drop.profile import meridian
from poresim.liquid.suspension import GRAVITY
from poresim.photo.edges import Edges, Smoothed, find_edges, smoothed
from poresim.photo.face import NEAR, Face, given, refined
from poresim.photo.fitted import Fit, Shape, contact, fit_outline
from poresim.photo.outline import Line, Outline, find_outline, line_through
from poresim.photo.reading import read_picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

_KEEP_OFF = 3.3  # times the blur: edges this close to the face are pulled out of place by it
_LEAST_SEEN = 0.6  # of the outline's places with an edge
_ROUGH = 0.012  # of the base's width: edges that scatter more about the outline follow another
_LARGEST_SD = 3.0  # degrees
_CAP_FROM = 2.0  # degrees: an outline that tells the angle no better is taken for a sphere's cap
_FULL, _TIED, _CAP = "Young-Laplace", "Young-Laplace, tension given", "cap"
_USUAL = 0.05, 1000.0  # N/m and kg/m3: a drinkable liquid's, where they are not given
#: Scatter of edges says a little less than they err: 120 rendered drops (others than the tests')
#: had errors of 1.12 times the standard deviations that follow from it (root of mean squares).
_WIDENED = 1.12
_PLACED = 0.02  # px: how well the outline is placed beside the face, however sharp both are
_TENSION_KNOWN = 0.2  # a tension is told when it is known to this share


@dataclass(frozen=True, repr=False)
class Angle(Brief):
    """A drop as measured. Angles in degrees in the liquid; px unless a unit is said.

    angle_deg, sd_deg : mean of both sides, and its standard deviation. left_deg, right_deg,
    side_sd_deg : of each. base_px, height_px, volume_px3 : of the drop. tilt_deg : of the face in
    the picture. beta, beta_sd : density g b^2 / tension of the outline. how : "Young-Laplace",
    "Young-Laplace, tension given", or "cap": the outline tells no more, and a remark says by how
    much that reads low. outline : (k, 2) edges it was fitted to; shape and length draw it.
    scatter_px : of the edges about it. blur_px : standard deviation of the picture's. ends : (2, 2)
    where it meets the face. um_per_px : None where it is not known, and lengths in m then neither.
    tension, tension_sd : N/m, where the outline tells it. remarks : what to know of it, a line
    each.
    """

    angle_deg: float
    sd_deg: float
    left_deg: float
    right_deg: float
    side_sd_deg: float
    base_px: float
    height_px: float
    volume_px3: float
    tilt_deg: float
    beta: float
    beta_sd: float
    how: str
    scatter_px: float
    blur_px: float
    outline: Floats
    ends: Floats
    face: Face
    shape: Shape
    length: float
    um_per_px: float | None = None
    tension: float | None = None
    tension_sd: float | None = None
    remarks: tuple[str, ...] = ()

    def plot(self, image: ArrayLike | str | os.PathLike[str], name: str = "drop") -> Figure:
        """What was found over the photograph that it was found in: a matplotlib figure.

        image : as given to :func:`measure_angle`.
        """
        from poresim.show.measured_angle import angle_figure

        picture = read_picture(Path(image)) if isinstance(image, str | os.PathLike) else image
        figure: Figure = angle_figure(np.asarray(picture), self, name)
        return figure

    def _told(self) -> tuple[str, Rows]:
        rows = [
            ("left, right", f"{self.left_deg:.1f}°, {self.right_deg:.1f}°"),
            ("outline", f"{self.how}, edges within {self.scatter_px:.2g} px"),
        ]
        if self.base_m is not None and self.volume_m3 is not None:
            rows.append(("size", f"{volume(self.volume_m3)} on {length(self.base_m)}"))
        rows += [("remark", text) for text in self.remarks]
        return f"Contact angle {self.angle_deg:.2f} ± {self.sd_deg:.1g}°", rows

    @property
    def base_m(self) -> float | None:
        """Diameter of the base."""
        return None if self.um_per_px is None else self.base_px * self.um_per_px * 1e-6

    @property
    def height_m(self) -> float | None:
        """Of the drop."""
        return None if self.um_per_px is None else self.height_px * self.um_per_px * 1e-6

    @property
    def volume_m3(self) -> float | None:
        """Of the drop, as round as it looks from this side."""
        return None if self.um_per_px is None else self.volume_px3 * (self.um_per_px * 1e-6) ** 3


def measure_angle(
    image: ArrayLike | str | os.PathLike[str],
    um_per_px: float | None = None,
    base: tuple[float, float, float, float] | None = None,
    density: float | None = None,
    surface_tension: float | None = None,
) -> Angle:
    """The contact angle of the drop in a picture.

    image : (rows, columns) of brightness, or (rows, columns, 3 or 4) of colours, of any scale; or
    the name of a PNG or JPEG file.
    um_per_px : its scale. base : x1, y1, x2, y2, px, two points of the face's line where it is not
    found. density : kg/m3, and surface_tension : N/m; with both and the scale, the outline's shape
    follows from its size, which sharpens the angle of small and flat drops.

    Raises BenchError (one line) where the picture holds no drop, or not enough of one.
    """
    if isinstance(image, str | os.PathLike):
        image = read_picture(Path(image))
    picture = _brightness(image)
    _check(um_per_px, density, surface_tension)
    line = None if base is None else line_through(np.array(base[:2]), np.array(base[2:]))
    found = find_outline(picture, line)
    smooth = smoothed(picture)
    beta_per_b2 = None
    if um_per_px is not None and density is not None and surface_tension is not None:
        beta_per_b2 = density * GRAVITY * (um_per_px * 1e-6) ** 2 / surface_tension
    edges = find_edges(smooth, found.xy, found.normal, found.off)
    _enough(edges)

    def sought(tied: float | None) -> _Seen:
        return _fitted(smooth, edges, found, line is not None, tied)

    how = _FULL if beta_per_b2 is None else _TIED
    seen = sought(beta_per_b2)
    if how == _FULL and seen.sd > _CAP_FROM:
        how, seen = _CAP, sought(0.0)
    return _told(seen, um_per_px, density, surface_tension, how)


class _Seen(NamedTuple):
    """Outline and face; the blur, px; standard deviations of the angle and of a side's, degrees."""

    fit: Fit
    face: Face
    blur: float
    sd: float
    side_sd: float


def _fitted(
    smooth: Smoothed, edges: Edges, found: Outline, pointed_out: bool, beta_per_b2: float | None
) -> _Seen:
    """Outline and face in turns: edges are looked for anew along the outline that was found."""

    def face_at(line: Line, ends: Floats, reach: float) -> Face:
        if pointed_out:
            return given(line, ends)
        return refined(smooth, line, ends, 2 * keep_off, reach)

    xy = edges.xy[edges.found]
    keep_off = _KEEP_OFF * edges.blur
    face = face_at(found.face, np.array([xy[0], xy[-1]]), found.off)
    fit: Fit | None = None
    for _ in range(2):
        fit = _through(xy, face.line, keep_off, fit, beta_per_b2)
        face = face_at(face.line, contact(fit.shape, fit.length, face.line).ends, NEAR)
        at, normal, bend = _along(fit, face.line, keep_off)
        edges = find_edges(smooth, at, normal, 3.0 * edges.width + 4.0)
        _enough(edges)
        xy = (edges.xy + (edges.pulled * bend)[:, None] * normal)[edges.found]
        keep_off = _KEEP_OFF * edges.blur
    fit = _through(xy, face.line, keep_off, fit, beta_per_b2)
    return _Seen(fit, face, edges.width, *_uncertainty(fit, face))


def _through(
    xy: Floats, face: Line, keep_off: float, before: Fit | None, beta_per_b2: float | None
) -> Fit:
    """The outline through those edges that are not too close to the face."""
    high = xy[face.height(xy) > keep_off]
    if len(high) < 30:
        raise BenchError("too little of the drop stands above the face")
    start, length = _start(high, face) if before is None else (before.shape, before.length)
    return fit_outline(high, start, length, face.slope, beta_per_b2)


def _start(xy: Floats, face: Line) -> tuple[Shape, float]:
    """A sphere through the edges; and the outline's length to draw, over the apex radius."""
    middle = xy.mean(axis=0)
    q = xy - middle
    design = np.column_stack([2 * q, np.ones(len(q))])
    (cx, cy, c), *_ = np.linalg.lstsq(design, (q**2).sum(axis=1), rcond=None)
    radius = math.sqrt(max(c + cx * cx + cy * cy, 1.0))
    apex = middle + (cx, cy) + radius * face.up
    way = float(np.hypot(*np.diff(xy, axis=0).T).sum()) / 2 / radius
    shape = Shape(float(apex[0]), float(apex[1]), face.slope, math.log(radius * 1.05), 0.2)
    return shape, min(1.5 * way + 0.2, 6.0)


def _along(fit: Fit, face: Line, keep_off: float) -> tuple[Floats, Floats, Floats]:
    """Points about a pixel apart along the outline above the face, normals and curvatures there."""
    shape = fit.shape
    m = meridian(shape.beta, fit.length)
    s = np.arange(0.0, fit.length, 1.0 / shape.apex_radius)
    x, z, phi = (np.interp(s, m.s, v) for v in (m.x, m.z, m.phi))
    bend = np.gradient(phi, s) / shape.apex_radius
    sides = []
    for side in (-1.0, 1.0):
        at = shape.laid(side, x, z)
        out = shape.turned(side, np.sin(phi), -np.cos(phi))
        below = np.flatnonzero(face.height(at) < 0.5 * keep_off)
        end = int(below[0]) if len(below) else len(at)
        sides.append((at[:end], out[:end], bend[:end]))
    left, right = sides
    whole = [np.concatenate([one[:0:-1], other]) for one, other in zip(left, right, strict=True)]
    return whole[0], whole[1], whole[2]


def _told(
    seen: _Seen,
    um_per_px: float | None,
    density: float | None,
    surface_tension: float | None,
    how: str,
) -> Angle:
    fit, face = seen.fit, seen.face
    meets = contact(fit.shape, fit.length, face.line)
    angle = math.degrees(0.5 * (meets.left + meets.right))
    base = float(np.hypot(*(meets.ends[1] - meets.ends[0])))
    if fit.scatter > max(_ROUGH * base, 1.5):
        raise BenchError(
            f"the outline is not that of a drop: edges lie {fit.scatter:.1f} px from it"
        )
    if not 2 < angle < 178:
        raise BenchError(
            f"the outline is not that of a drop: its angle would be {angle:.1f} degrees"
        )
    if seen.sd > _LARGEST_SD:
        raise BenchError(f"the angle is known to {seen.sd:.1f} degrees only: no use")
    tension, tension_sd, remarks = _tension(fit, um_per_px, density, how)
    if how == _CAP:
        remarks.append(_low(angle, base, um_per_px, density, surface_tension))
    if face.rough > 1.0:
        remarks.append(f"the face's edge is rough: {face.rough:.1f} px")
    return Angle(
        angle_deg=angle,
        sd_deg=seen.sd,
        left_deg=math.degrees(meets.left),
        right_deg=math.degrees(meets.right),
        side_sd_deg=seen.side_sd,
        base_px=base,
        height_px=meets.height,
        volume_px3=meets.volume,
        tilt_deg=math.degrees(face.line.slope),
        beta=fit.shape.beta,
        beta_sd=math.sqrt(fit.covariance[4, 4]),
        how=how,
        scatter_px=fit.scatter,
        blur_px=seen.blur,
        outline=fit.xy,
        ends=meets.ends,
        face=face,
        shape=fit.shape,
        length=fit.length,
        um_per_px=um_per_px,
        tension=tension,
        tension_sd=tension_sd,
        remarks=tuple(remarks),
    )


def _tension(
    fit: Fit, um_per_px: float | None, density: float | None, how: str
) -> tuple[float | None, float | None, list[str]]:
    """N/m, with its standard deviation, where the drop is large enough to tell it."""
    if how != _FULL or um_per_px is None or density is None:
        return None, None, []
    beta, sd = fit.shape.beta, math.sqrt(fit.covariance[4, 4])
    if not beta > 0 or sd > _TENSION_KNOWN * beta:
        return None, None, ["the drop is too small, or too little of it is seen, to tell a tension"]
    b = fit.shape.apex_radius * um_per_px * 1e-6
    tension = density * GRAVITY * b * b / beta
    # ln tension = 2 ln b - ln beta
    slopes = np.array([0, 0, 0, 2.0, -1.0 / beta])
    return tension, tension * math.sqrt(slopes @ fit.covariance @ slopes), []


def _low(
    angle: float,
    base_px: float,
    um_per_px: float | None,
    density: float | None,
    surface_tension: float | None,
) -> str:
    """By how much a cap reads low, in words: the drop of that height and base, by Young-Laplace."""
    said = "fitted as a sphere's cap, for the outline tells no more: that reads low"
    if um_per_px is None:
        return f"{said}, by 1 degree for 1 uL of water at 90 degrees and by 5 for 10 uL"
    tension = _USUAL[0] if surface_tension is None else surface_tension
    radius = 0.5e-6 * base_px * um_per_px
    low = cap_bias(radius, angle, _USUAL[1] if density is None else density, tension)
    if not math.isfinite(low):
        return f"{said}, and this drop is so large that gravity flattens all of it"
    return f"{said}, by about {low:.1g} degrees here at {1e3 * tension:.3g} mN/m"


def _uncertainty(fit: Fit, face: Face) -> tuple[float, float]:
    """Standard deviations, degrees, of the mean angle and of either side's."""

    def angles(shape: Shape, line: Line) -> Floats:
        meets = contact(shape, fit.length, line)
        return np.degrees([0.5 * (meets.left + meets.right), meets.left, meets.right])

    known = angles(fit.shape, face.line)
    steps = np.sqrt(np.diag(fit.covariance))
    slopes = np.zeros((3, 5))
    for k in range(5):
        if steps[k] > 0:
            moved = fit.shape._replace(**{Shape._fields[k]: fit.shape[k] + 0.3 * steps[k]})
            slopes[:, k] = (angles(moved, face.line) - known) / (0.3 * steps[k])
    line, up = face.line, face.line.up
    higher = Line(line.point + 0.1 * up, line.along)
    turned = line.along + 1e-3 * up
    rows = np.stack(
        [
            (angles(fit.shape, higher) - known) / 0.1,
            (angles(fit.shape, Line(line.point, turned / np.hypot(*turned))) - known) / 1e-3,
        ],
        1,
    )
    variance = np.einsum("ij,jk,ik->i", slopes, fit.covariance, slopes)
    variance += np.einsum("ij,jk,ik->i", rows, face.covariance, rows)
    variance = _WIDENED**2 * variance + (_PLACED * rows[:, 0]) ** 2
    return float(np.sqrt(variance[0])), float(np.sqrt(variance[1:].mean()))


def _enough(edges: Edges) -> None:
    if len(edges.found) < 40 or edges.found.mean() < _LEAST_SEEN:
        raise BenchError("the outline is not that of a drop, or not sharp enough to be followed")


def _brightness(image: ArrayLike) -> Floats:
    """(rows, columns) from 0 to 1."""
    picture = np.asarray(image, dtype=np.float32)
    if picture.ndim == 3 and picture.shape[2] in (3, 4):
        picture = picture[:, :, :3] @ np.array([0.299, 0.587, 0.114], np.float32)
    if picture.ndim != 2:
        raise BenchError(f"a picture of rows and columns is expected, got {picture.shape}")
    if min(picture.shape) < 60:
        raise BenchError(
            f"the picture has {picture.shape[1]} by {picture.shape[0]} px; 60 at least"
        )
    low, high = float(picture.min()), float(picture.max())
    if not (math.isfinite(low) and math.isfinite(high)):
        raise BenchError("the picture holds values that are not finite")
    if not high > low:
        raise BenchError("the picture is of one brightness all over")
    return np.asarray((picture - low) / (high - low))


def _check(um_per_px: float | None, density: float | None, surface_tension: float | None) -> None:
    for name, value in (
        ("um_per_px", um_per_px),
        ("density", density),
        ("surface_tension", surface_tension),
    ):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise BenchError(f"{name} must be above 0, got {value:g}")
