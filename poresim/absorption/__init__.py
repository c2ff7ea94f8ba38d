"""How fast a face takes up liquid: slopes against the root of time, norms, and formulas.

Plain functions over arrays, for soaks and for weight logs of a bench alike. SI units.
"""
