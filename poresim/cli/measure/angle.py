"""``poresim measure angle``: a drop's contact angle from photographs, or along a film."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from poresim.cli.measure.given import positive
from poresim.cli.measure.telling import COURSE, Told, tell, with_sd
from poresim.cli.terminal import bar, heeding, plain

if TYPE_CHECKING:
    from poresim.bench.error import BenchError
    from poresim.photo.angle import Angle

NAME = "angle"
ABOUT = "measure the contact angle of a drop in photographs, or along the frames of a film"
MORE = """\
example (made-up pictures):
  poresim measure angle scenarios/bench/drop_1.jpg scenarios/bench/drop_2.jpg --um-per-px 12

Several pictures are repeats, and are combined. With --every-s they are frames of one film, in
their order. The drop should stand out from a plain ground above it, and the face on both sides of
it be seen. Look at the figure: the line found for the face should lie where drop and face meet.
"""
_MOST = 2000  # pictures


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add = parser.add_argument
    add("images", metavar="IMAGE", nargs="+", type=Path, help="PNG or JPEG")
    add("--um-per-px", metavar="UM", type=positive, help="scale: what one pixel is, um")
    add("--every-s", metavar="S", type=positive, help="frames of a film, so many seconds apart")
    add("--base", metavar="X1,Y1,X2,Y2", type=_four, help="two points of the face's line, px")
    add("--crop", metavar="X1,Y1,X2,Y2", type=_four, help="the part of the picture to look at, px")
    add("--density-kg-m3", metavar="KG_M3", type=positive, help="of the liquid, kg/m3")
    add("--tension-mN-m", metavar="MN_M", type=positive, help="surface tension, if known, mN/m")
    add("--liquid", metavar="NAME", default="", help="its name, for the block")


def execute(asked: argparse.Namespace) -> int:
    """Run the command; the exit code."""
    from poresim.bench.error import BenchError

    if len(asked.images) > _MOST:
        raise BenchError(f"{len(asked.images)} pictures; {_MOST} at most")
    if asked.tension_mN_m is not None and (asked.um_per_px is None or asked.density_kg_m3 is None):
        raise BenchError("--tension-mN-m needs --um-per-px and --density-kg-m3 beside it")
    return tell(asked, NAME, asked.images[0], lambda: _measured(asked))


def _measured(asked: argparse.Namespace) -> Told:
    return _repeats(asked) if asked.every_s is None else _film(asked)


def _each(asked: argparse.Namespace) -> Iterator[tuple[Any, Angle | BenchError]]:
    """Every picture, with its angle or why there is none."""
    from poresim.bench.error import BenchError
    from poresim.photo.angle import measure_angle
    from poresim.photo.reading import cropped, read_picture

    tension = None if asked.tension_mN_m is None else asked.tension_mN_m * 1e-3
    with bar("drops") as move, heeding() as look:
        for k, path in enumerate(asked.images):
            look()
            picture = read_picture(path)
            found: Angle | BenchError
            try:
                if asked.crop is not None:
                    x1, y1, x2, y2 = (int(v) for v in asked.crop)
                    picture = cropped(picture, (x1, y1, x2, y2))
                found = measure_angle(
                    picture, asked.um_per_px, _shifted(asked), asked.density_kg_m3, tension
                )
            except BenchError as fault:
                found = BenchError(f"{path}: {fault}")
            move((k + 1) / len(asked.images))
            yield picture, found


def _shifted(asked: argparse.Namespace) -> Any:
    if asked.base is None or asked.crop is None:
        return asked.base
    x, y = asked.crop[:2]
    return tuple(v - shift for v, shift in zip(asked.base, (x, y, x, y), strict=True))


def _repeats(asked: argparse.Namespace) -> Told:
    from poresim.bench.combine import combine
    from poresim.show.measured_angle import angle_figure

    found: list[Angle] = []
    shown: Any = None
    for picture, one in _each(asked):
        if isinstance(one, Exception):
            raise one
        shown = picture if shown is None else shown
        found.append(one)
    first = found[0]
    whole = combine([a.angle_deg for a in found], [a.sd_deg for a in found])
    values = _values(first) | {"angle_deg": whole.value, "sd_deg": whole.sd}
    values["repeats"] = [_values(a) for a in found]
    values["interval95_deg"] = [
        whole.value - whole.half_width(),
        whole.value + whole.half_width(),
    ]
    rows = [("contact angle", with_sd(whole.value, whole.sd, "degrees"))]
    if len(found) > 1:
        rows.append(("from picture to picture", f"{whole.between:.2g} degrees"))
        left = sum(a.left_deg for a in found) / len(found)
        right = sum(a.right_deg for a in found) / len(found)
        values |= {"left_deg": left, "right_deg": right, "between_deg": whole.between}
        rows.append(("left, right", f"{left:.1f}, {right:.1f} degrees in the mean"))
    else:
        rows += _rows(first)
    remarks = [f"{asked.images[k]}: {text}" for k, a in enumerate(found) for text in a.remarks]
    remarks += _cautions(found)
    block = _block(asked.liquid, whole.value, whole.sd)
    name = plain(asked.images[0].name)
    return Told(rows, block, values, remarks, lambda: angle_figure(shown, first, name))


def _film(asked: argparse.Namespace) -> Told:
    import numpy as np

    from poresim.photo.series import find_slide
    from poresim.show.measured_angle import series_figure, series_table

    each = [one for _, one in _each(asked)]
    found = [one for one in each if not isinstance(one, Exception)]
    faults = [one for one in each if isinstance(one, Exception)]
    if not found:
        raise faults[0]
    when = np.array([k for k, one in enumerate(each) if not isinstance(one, Exception)])
    when = when * asked.every_s
    slide = find_slide(found)
    first = found[0]
    values = _values(first) | {
        "frames": [{"time_s": float(t)} | _values(a) for t, a in zip(when, found, strict=True)],
        "slides_at_s": None if slide.frame is None else float(when[slide.frame]),
        "receding_angle_deg": None if slide.frame is None else slide.angle_deg,
        "receding_sd_deg": None if slide.frame is None else slide.sd_deg,
    }
    rows = [
        ("angle at first", with_sd(first.angle_deg, first.sd_deg, "degrees")),
        ("angle at last", with_sd(found[-1].angle_deg, found[-1].sd_deg, "degrees")),
        ("volume left", f"{100 * found[-1].volume_px3 / first.volume_px3:.3g} % of the first"),
    ]
    if slide.frame is None:
        rows.append(("base", "pinned as long as it was seen"))
    else:
        rows.append(("base", f"begins to slide after {when[slide.frame]:.4g} s"))
        rows.append(("angle from then on", with_sd(slide.angle_deg, slide.sd_deg, "degrees")))
    block = _block(asked.liquid, first.angle_deg, first.sd_deg, slide.angle_deg, film=True)
    return Told(
        rows,
        block,
        values,
        [f"left out: {fault}" for fault in faults] + _cautions(found),
        lambda: series_figure(when, found, slide.frame, "Time (s)"),
        series_table(when, found).text(),
    )


def _values(a: Angle) -> dict[str, Any]:
    def scaled(value: float | None, factor: float) -> float | None:
        return None if value is None else value * factor

    return {
        "angle_deg": a.angle_deg,
        "sd_deg": a.sd_deg,
        "left_deg": a.left_deg,
        "right_deg": a.right_deg,
        "side_sd_deg": a.side_sd_deg,
        "base_px": a.base_px,
        "height_px": a.height_px,
        "tilt_deg": a.tilt_deg,
        "base_mm": scaled(a.base_m, 1e3),
        "height_mm": scaled(a.height_m, 1e3),
        "volume_uL": scaled(a.volume_m3, 1e9),
        "surface_tension_mN_m": scaled(a.tension, 1e3),
        "surface_tension_sd_mN_m": scaled(a.tension_sd, 1e3),
        "fitted": a.how,
        "edges_off_px": a.scatter_px,
    }


def _rows(a: Angle) -> list[tuple[str, str]]:
    rows = [
        ("left, right", f"{a.left_deg:.1f}, {a.right_deg:.1f} ± {a.side_sd_deg:.1f} degrees"),
        ("fitted", f"{a.how}; edges lie {a.scatter_px:.2f} px from the outline"),
    ]
    if a.base_m is None or a.height_m is None or a.volume_m3 is None:
        rows.append(("base, height", f"{a.base_px:.1f}, {a.height_px:.1f} px (no scale given)"))
    else:
        rows.append(("base, height", f"{a.base_m * 1e3:.3f}, {a.height_m * 1e3:.3f} mm"))
        rows.append(("volume", f"{a.volume_m3 * 1e9:.3g} uL, if it is as round as it looks"))
    if a.tension is not None and a.tension_sd is not None:
        rows.append(("surface tension", with_sd(a.tension * 1e3, a.tension_sd * 1e3, "mN/m")))
    return rows


def _cautions(found: list[Angle]) -> list[str]:
    if any(abs(a.left_deg - a.right_deg) > 4 * a.side_sd_deg + 1.0 for a in found):
        return [
            "left and right angles differ by more than their uncertainty: the drop is not round, "
            "or the face is not level"
        ]
    return []


def _block(
    liquid: str, angle: float, sd: float, receding: float = math.nan, film: bool = False
) -> str:
    import json

    name = json.dumps(plain(liquid) or "NAME OF THE LIQUID", ensure_ascii=False)
    lines = [
        "[[liquids]]",
        f"name = {name}",
        f"contact_angle_deg = {{ value = {angle:.2f}, sd = {max(sd, 0.01):.2f} }}",
    ]
    if math.isfinite(receding) and receding < angle:
        lines.append(f"receding_angle_deg = {receding:.2f}")
    lines += ["", "[[measured]]", f"liquid = {name}"]
    if film:
        return "\n".join([*lines, f'angle = "{COURSE}"'])
    return "\n".join([*lines, f"angle_deg = {angle:.2f}", f"sd_deg = {max(sd, 0.01):.2f}"])


def _four(text: str) -> tuple[float, float, float, float]:
    try:
        values = tuple(float(part) for part in text.split(","))
    except ValueError:
        values = ()
    if len(values) != 4 or not all(math.isfinite(v) for v in values):
        raise argparse.ArgumentTypeError(f"{text!r} is not x1,y1,x2,y2")
    return values
