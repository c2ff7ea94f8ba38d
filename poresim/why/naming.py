"""Keys of a scenario in words: ``solid.tubes.median_radius_um`` is "median radius", in µm."""

from __future__ import annotations

#: How keys end, longest first, and the unit that says.
_UNITS = {
    "kg_m3": "kg/m³",
    "mN_m": "mN/m",
    "Pa_sn": "Pa sⁿ",
    "mPa_s": "mPa s",
    "mm_s": "mm/s",
    "per_m": "1/m",
    "kPa": "kPa",
    "deg": "°",
    "percent": "%",
    "um": "µm",
    "mm": "mm",
    "uL": "µL",
    "mL": "mL",
    "Pa": "Pa",
    "C": "°C",
    "s": "s",
    "g": "g",
}
_WITHOUT = {"mPa_s": "viscosity"}  # keys that are nothing but a unit
_SAID = {
    "log sd": "spread (ln)",
    "index": "flow index",
    "zero": "viscosity at rest",
    "infinite": "viscosity at high shear",
}


def named(key: str) -> tuple[str, str]:
    """What a key is called, and its unit ("" for a plain number)."""
    *tables, last = key.split(".")
    name, unit = _WITHOUT.get(last, ""), _UNITS.get(last, "") if last in _WITHOUT else ""
    if not name:
        ending = next((e for e in _UNITS if last.endswith(f"_{e}")), None)
        name = (last if ending is None else last[: -len(ending) - 1]).replace("_", " ")
        unit = "" if ending is None else _UNITS[ending]
    name = _SAID.get(name, name)
    if tables[:1] == ["liquids"] and len(tables) > 1 and tables[1] != "*":
        of = ".".join(part for part in tables[1:] if part not in ("viscosity", "particles"))
        return f"{name} of {of}", unit
    if tables[:2] == ["solid", "layers"] and len(tables) > 2:
        return f"{name} of {tables[2]}", unit
    return name, unit
