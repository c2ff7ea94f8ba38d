"""A sweep in numbers and words: a table a result, and which quantity matters most."""

from __future__ import annotations

from typing import Any

import numpy as np

from poresim.inference.sensitivity import VarianceShares, shares
from poresim.outcome.asked import Asked
from poresim.outcome.spread import finite, spread
from poresim.outcome.words import aligned, between, capital, ranged, signed_percent
from poresim.why.naming import named
from poresim.why.sweep import Swept

_MOST_ROWS = 40  # of a printed table


def shares_of(found: Swept, of: Asked, liquid: int) -> VarianceShares | None:
    """What each quantity makes of a result's variance; None of a grid.

    ValueError: too many soaks never reach the result.
    """
    if found.sample is None:
        return None
    values = found.values(of, liquid).mean(axis=1)
    name = f"{of.words}, {found.liquids[liquid]}"
    return shares(values, len(found.quantities), [name])[0]


def lines(found: Swept) -> list[str]:
    """What is printed of it."""
    said: list[str] = []
    for of in found.results:
        said += [capital(of.words), ""]
        said += _sampled(found, of) if found.sample is not None else _grid(found, of)
        said.append("")
    return said


def _grid(found: Swept, of: Asked) -> list[str]:
    heads = [_titled(one.key) for one in found.quantities]
    rows = [[*heads, *found.liquids]]
    values = [found.values(of, k) for k in range(len(found.liquids))]
    for p, point in enumerate(found.points[:_MOST_ROWS]):
        cells = [ranged(spread(table[p]), of.told) for table in values]
        rows.append([*(_short(v) for v in point), *cells])
    more = len(found.points) - _MOST_ROWS
    return [*aligned(rows), *([f"... and {more} points more, in the table"] if more > 0 else [])]


def _sampled(found: Swept, of: Asked) -> list[str]:
    said = []
    for k, liquid in enumerate(found.liquids):
        try:
            found_shares = shares_of(found, of, k)
        except ValueError as error:
            said.append(f"{liquid}: shares are not known ({error})")
            continue
        assert found_shares is not None
        if not found_shares.defined:
            said.append(f"{liquid}: it does not vary")
            continue
        rows = [[liquid, "by itself", "95 %", "with others", "95 %"]]
        order = np.argsort(-found_shares.total)
        for i in order:
            first, total = found_shares.first_interval[i], found_shares.total_interval[i]
            rows.append(
                [
                    _titled(found.quantities[i].key),
                    signed_percent(found_shares.first[i]),
                    between(*first),
                    signed_percent(found_shares.total[i]),
                    between(*total),
                ]
            )
        said += aligned(rows)
    return said


def as_dict(found: Swept) -> dict[str, Any]:
    """Plain numbers and text, for JSON."""
    from poresim import __version__

    results = {}
    for of in found.results:
        by_liquid: dict[str, Any] = {}
        for k, liquid in enumerate(found.liquids):
            values = found.values(of, k)
            by_liquid[liquid] = {"values": [[finite(v) for v in row] for row in values]}
            try:
                found_shares = shares_of(found, of, k)
            except ValueError as error:
                by_liquid[liquid]["shares"] = {"not_known": str(error)}
                continue
            if found_shares is not None and found_shares.defined:
                by_liquid[liquid]["shares"] = _shares_dict(found_shares, found)
        results[of.column] = {"unit": of.unit, "what": of.words, "liquids": by_liquid}
    return {
        "title": found.scenario.title,
        "quantities": [
            {"key": one.key, "name": named(one.key)[0], "unit": named(one.key)[1]}
            for one in found.quantities
        ],
        "points": [list(point) for point in found.points],
        "repeats": found.repeats,
        "sample": found.sample,
        "results": results,
        "failed": dict(found.failed),
        "seed": found.scenario.seed,
        "poresim_version": __version__,
    }


def _shares_dict(of: VarianceShares, found: Swept) -> dict[str, Any]:
    return {
        one.key: {
            "first": finite(of.first[i]),
            "first_interval": [finite(v) for v in of.first_interval[i]],
            "total": finite(of.total[i]),
            "total_interval": [finite(v) for v in of.total_interval[i]],
        }
        for i, one in enumerate(found.quantities)
    }


def _titled(key: str) -> str:
    name, unit = named(key)
    return f"{name} ({unit})" if unit else name


def _short(value: Any) -> str:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return f"{value:.4g}" if number else str(value)[:30]
