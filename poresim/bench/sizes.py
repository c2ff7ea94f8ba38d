"""Measured sizes of grains or throats, made percentiles, mean sizes and laws with uncertainties."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from poresim.bench.combine import Combined, combine
from poresim.bench.error import BenchError
from poresim.bench.size_figures import (
    NAMES,
    Classes,
    Figure,
    figures_of_classes,
    figures_of_list,
    share_in_finest,
    widened,
)
from poresim.bench.size_fits import KINDS, SizeFit, fit_amounts, fit_counts, fit_sizes, spread_of
from poresim.bench.size_laws import TUBE_VOLUME, VOLUME, Law, make_law
from poresim.tables.grain_sizes import SizeTable

Floats = NDArray[np.float64]

CLOSE = 0.05  # of the cumulative curve: a law that stays within it describes the sizes
_WIDEST = 100.0  # of an interval's half width in ln(size): what is wider says nothing, either
_BY_CHANCE = 0.9  # over sqrt(n): what counted sizes miss their own fitted law by (Lilliefors)
#: (law is told by, measured by, volume goes with): powers of the size.
_POWERS = {
    "sieves": (0.0, VOLUME, VOLUME),
    "shares": (0.0, VOLUME, VOLUME),
    "counts": (0.0, 0.0, VOLUME),
    "list": (0.0, 0.0, VOLUME),
    "intrusion": (TUBE_VOLUME, TUBE_VOLUME, TUBE_VOLUME),
}
_HINGES = 0.25  # of the number in one class: worth a warning
_FEW = 0.05  # of the volume in one particle, likewise
_MANY = 200  # particles whose errors by volume hold (the tests' simulation; of 50, 81 to 92 %)


@dataclass(frozen=True, eq=False)
class OneSizing:
    """What one file comes to. fits : the best first; no_fit : why there are none.

    finest : share of the volume and of the number in the finest class. largest : share of the
    volume in the largest particle of a list. shape : the law that open classes are given.
    freedom : of the errors of the figures.
    """

    table: SizeTable
    classes: Classes
    figures: dict[str, Figure]
    fits: list[SizeFit]
    no_fit: str = ""
    finest: tuple[float, float] = (0.0, 0.0)
    largest: float = 0.0
    shape: Law | None = None
    freedom: float = math.inf


@dataclass(frozen=True, eq=False)
class LawFit:
    """A law of all files together. parts : of its place and spread, in SI units.

    told_by : "number" or "volume". largest, rms : residuals of the cumulative curve, 0 to 1, the
    worst file's. close : whether it describes the sizes. rank : the least is best.
    """

    law: Law
    told_by: str
    parts: tuple[Combined, Combined]
    intervals: tuple[tuple[float, float], tuple[float, float]]
    largest: float
    rms: float
    close: bool
    rank: float

    @property
    def kind(self) -> str:
        """ "lognormal" or "weibull"."""
        return KINDS[0] if hasattr(self.law, "median") else KINDS[1]


@dataclass(frozen=True, eq=False)
class Sizing:
    """What all files come to. fits, volume_fits : the best first; told by number and by volume."""

    kind: str
    files: list[OneSizing]
    figures: dict[str, Combined]
    fits: list[LawFit]
    volume_fits: list[LawFit]
    said: list[str] = field(default_factory=list)


def measure_sizes(tables: Sequence[SizeTable], weighing_sd: float | None = None) -> Sizing:
    """Percentiles, mean sizes and fits of one table, or of repeats.

    weighing_sd : kg, of one mass on a sieve; by default what the last digit written says, or the
    scatter about the better law where that is more. Raises BenchError: tables of several kinds, or
    one that holds too little.
    """
    kinds = sorted({table.kind for table in tables})
    if len(kinds) != 1:
        words = " and ".join(KIND_WORDS[k] for k in kinds)
        raise BenchError(f"{tables[0].path}: files hold {words}; repeats are of one kind")
    kind = kinds[0]
    if weighing_sd is not None and kind != "sieves":
        raise BenchError(f"{tables[0].path}: holds no sieve stack; a weighing error is for sieves")
    files = [_one(table, weighing_sd) for table in tables]
    figures = {name: _combined(name, files) for name in NAMES}
    said = [text for table in tables for text in table.said]
    told = "volume" if kind in ("sieves", "shares") else "number"
    fits = _together([f.fits for f in files], told, [f.table for f in files])
    volume_fits = [] if told == "number" else fits
    if kind in ("list", "counts"):
        turned = [[x.told_by(VOLUME) for x in f.fits if x.kind == "lognormal"] for f in files]
        volume_fits = _together(turned, "volume", [f.table for f in files])
    if kind == "intrusion":
        turned = [[x.told_by(TUBE_VOLUME) for x in f.fits if x.kind == "lognormal"] for f in files]
        volume_fits = _together(turned, "volume", [f.table for f in files])
    said += [text for one in files for text in warnings_of(one)]
    return Sizing(kind, files, figures, fits, volume_fits, said)


def _combined(name: str, files: Sequence[OneSizing]) -> Combined:
    """One figure of all files; what classes hide, no number of repeats makes less."""
    figures = [one.figures[name] for one in files]
    found = combine([f.value for f in figures], [f.sd for f in figures])
    if len(files) == 1:
        found = found._replace(freedom=files[0].freedom)
    hidden = float(np.mean([f.hidden for f in figures]))
    sd = math.hypot(found.sd, hidden)
    freedom = found.freedom
    if found.sd > 0 and math.isfinite(freedom):  # Welch & Satterthwaite
        freedom *= (sd / found.sd) ** 4
    return found._replace(sd=sd, freedom=freedom)


KIND_WORDS = {
    "sieves": "a sieve stack",
    "shares": "shares by volume",
    "counts": "counts in classes",
    "list": "a list of particles",
    "intrusion": "an intrusion curve",
}


def _one(table: SizeTable, weighing_sd: float | None) -> OneSizing:
    law_power, power, volume = _POWERS[table.kind]
    lower, upper, amount = table.lower, table.upper, table.amount
    classes = Classes(lower, upper, amount, power, volume, law_power)
    fits: list[SizeFit] = []
    no_fit, sd = "", _reading_sd(table) if weighing_sd is None else weighing_sd
    try:
        for kind in KINDS:
            if table.kind == "list":
                fits.append(fit_sizes(kind, lower, amount))
            elif table.kind == "counts":
                fits.append(fit_counts(kind, lower, upper, amount))
            else:
                known = weighing_sd is not None
                fits.append(fit_amounts(kind, lower, upper, amount, sd, law_power, known=known))
    except BenchError as fault:
        fits, no_fit = [], str(fault)
    fits.sort(key=lambda fit: fit.rank)
    if table.kind == "list":
        figures = _widened(figures_of_list(lower, amount, volume), table, fits)
        weight = lower**volume * amount
        largest = float(weight[-1] / amount[-1] / weight.sum())
        return OneSizing(table, classes, figures, fits, no_fit, largest=largest)
    freedom = math.inf
    describing = [fit for fit in fits if fit.largest <= close_enough(table)]
    if table.kind == "counts":
        sds = np.sqrt(amount)
    else:
        if weighing_sd is None and describing and describing[0].scatter > sd:
            sd, freedom = describing[0].scatter, describing[0].freedom
        sds = np.full(len(amount), sd)
    laws = [fit.law for fit in describing]
    figures = figures_of_classes(classes, sds, laws, [fit.law for fit in fits])
    if table.kind == "counts":
        figures = _widened(figures, table, fits)
    finest = share_in_finest(classes, laws[0] if laws else None)
    shape = laws[0] if laws else None
    return OneSizing(table, classes, figures, fits, no_fit, finest, shape=shape, freedom=freedom)


def _widened(
    figures: dict[str, Figure], table: SizeTable, fits: Sequence[SizeFit]
) -> dict[str, Figure]:
    """With what few pieces hide, as far as a law that describes them tells."""
    if not fits or fits[0].largest > close_enough(table):
        return figures
    return widened(figures, fits[0].law, fits[0].covariance, VOLUME)


def _reading_sd(table: SizeTable) -> float:
    """Of one amount, from the last digit: even within it, and a difference of two readings."""
    readings = 1.0 if table.kind == "shares" else 2.0
    return table.digit * math.sqrt(readings / 12.0)


def _together(
    fits: Sequence[Sequence[SizeFit]], told: str, tables: Sequence[SizeTable]
) -> list[LawFit]:
    """Each law over all files that have one; only where every file has one."""
    found = []
    for kind in KINDS:
        each = [fit for one in fits for fit in one if fit.kind == kind]
        if len(each) != len(fits):
            continue
        pairs = [spread_of(fit) for fit in each]
        if not all(np.all(np.isfinite(sd)) for _, sd in pairs):
            continue
        theta, parts, intervals = [], [], []
        for i in range(2):
            log = combine([t[i] for t, _ in pairs], [s[i] for _, s in pairs])
            if len(each) == 1:
                log = log._replace(freedom=each[0].freedom)
            half, value = min(log.half_width(), _WIDEST), math.exp(log.value)
            theta.append(log.value)
            parts.append(log._replace(value=value, sd=value * log.sd, between=value * log.between))
            intervals.append((value * math.exp(-half), value * math.exp(half)))
        largest = max(fit.largest for fit in each)
        close = all(
            fit.largest <= close_enough(table) for fit, table in zip(each, tables, strict=True)
        )
        found.append(
            LawFit(
                make_law(kind, theta),
                told,
                (parts[0], parts[1]),
                (intervals[0], intervals[1]),
                largest,
                max(fit.rms for fit in each),
                close,
                sum(fit.rank for fit in each),
            )
        )
    return sorted(found, key=lambda fit: fit.rank)


def close_enough(table: SizeTable) -> float:
    """What a law may be off the cumulative curve of a table and still describe it."""
    if table.kind in ("list", "counts"):
        return max(CLOSE, _BY_CHANCE / math.sqrt(float(table.amount.sum())))
    return CLOSE


def warnings_of(one: OneSizing) -> list[str]:
    """What a reader must know of the figures of one file, a sentence each."""
    path, said = one.table.path, []
    if one.no_fit:
        said.append(f"{path}: no law is fitted: {one.no_fit}")
    by_volume, by_number = one.finest
    if one.table.kind in ("sieves", "shares", "intrusion") and by_number > _HINGES:
        said.append(
            f"{path}: the finest class has {100 * by_volume:.2g} % of the volume and "
            f"{100 * by_number:.2g} % of the number; figures by number hinge on it"
        )
    if one.table.kind == "list" and one.table.amount.sum() < _MANY:
        said.append(
            f"{path}: {one.table.amount.sum():.0f} particles are few for figures by volume, which "
            f"rest on the largest of them; their errors are told well from some {_MANY} up"
        )
    if one.largest > _FEW:
        said.append(
            f"{path}: one particle, the largest, has {100 * one.largest:.2g} % of the volume; "
            "figures by volume hinge on it"
        )
    closest = min((fit.largest for fit in one.fits), default=1.0)
    if one.table.kind in ("shares", "intrusion", "sieves") and closest > CLOSE:
        said.append(
            f"{path}: no law describes the sizes, so the errors of percentiles and means hold the "
            "last digits written and the widths of the classes alone; repeats would show the rest"
        )
    elif one.table.kind in ("shares", "intrusion"):
        said.append(
            f"{path}: errors hold the scatter about the law, not what another sample or instrument "
            "would show; repeats would"
        )
    said += _open_words(one)
    return said


def _open_words(one: OneSizing) -> list[str]:
    """Which percentiles lie in an open class."""
    classes, said = one.classes, []
    total = classes.amount.sum()
    basis = "volume" if one.table.kind != "counts" else "number"
    if basis == "number":
        return []
    shaped = one.shape is not None
    law = f"taken from the {one.fits[0].kind} law" if shaped else "taken to a ratio of 2"
    if classes.lower[0] == 0:
        inside = [n for n, p in _PERCENTILES if classes.amount[0] / total > p]
        if inside:
            lie = "lies" if len(inside) == 1 else "lie"
            said.append(
                f"{one.table.path}: {' and '.join(inside)} {lie} below the finest size, "
                f"{classes.upper[0] * 1e6:.4g} um, and is {law}"
            )
    if math.isinf(classes.upper[-1]):
        inside = [n for n, p in _PERCENTILES if classes.amount[-1] / total > 1 - p]
        if inside:
            lie = "lies" if len(inside) == 1 else "lie"
            said.append(
                f"{one.table.path}: {' and '.join(inside)} {lie} above the coarsest size, "
                f"{classes.lower[-1] * 1e6:.4g} um, and is {law}"
            )
    return said


_PERCENTILES = (("d10", 0.1), ("d50", 0.5), ("d90", 0.9))


def tails(one: OneSizing) -> tuple[str, str]:
    """Which classes, or how many particles, hold the finest and the coarsest tenth by volume."""
    classes, table = one.classes, one.table
    if table.kind == "list":
        weight = table.lower**classes.volume * table.amount
        upto = np.cumsum(weight) / weight.sum()
        fine = float(table.amount[upto <= 0.1].sum())
        coarse = float(table.amount[upto > 0.9].sum())
        n = table.amount.sum()
        return f"{fine:.0f} of {n:.0f} particles", f"{coarse:.0f} of {n:.0f} particles"
    if table.kind == "counts":
        middle = np.sqrt(classes.lower * classes.upper)
        weight = classes.amount * (middle / middle[-1]) ** classes.volume
    else:
        weight = classes.amount
    upto = np.append(0.0, np.cumsum(weight) / weight.sum())
    fine_k = np.flatnonzero((upto[:-1] < 0.1) & (weight > 0))
    coarse_k = np.flatnonzero((upto[1:] > 0.9) & (weight > 0))
    return _span_words(classes, fine_k, upto), _span_words(classes, coarse_k, upto)


def _span_words(classes: Classes, held: NDArray[np.intp], upto: Floats) -> str:
    a, b = classes.lower[held[0]] * 1e6, classes.upper[held[-1]] * 1e6
    if a == 0:
        where = f"below {b:.4g} um"
    elif math.isinf(b):
        where = f"above {a:.4g} um"
    else:
        where = f"{a:.4g} to {b:.4g} um"
    share = upto[held[-1] + 1] - upto[held[0]]
    many = "1 class" if len(held) == 1 else f"{len(held)} classes"
    return f"{many}, {where} ({100 * share:.3g} % of the volume)"
