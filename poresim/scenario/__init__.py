"""What the user asks for: one TOML file, read with every fault in it reported at once.

``schema`` (the keys, their units and ranges), ``reading`` (file to Scenario), ``faults`` and
``lines`` (what is wrong, and where), ``composition`` (figures from what a liquid is made of),
``build`` (to the plain specs of solid and liquid),
``plan`` (what a run will build and cost), ``starter`` (a first scenario to edit).
"""
