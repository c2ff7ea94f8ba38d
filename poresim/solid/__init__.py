"""The porous solid: junctions joined by tubes.

``network`` is any graph of tubes; the rest draws one as a block: ``lattices`` (where junctions
may stand), ``sizes`` (laws of the radii), ``spec`` (what is asked for), ``fitting`` (cells,
spacing and porosity that answer it), ``grid`` and ``scattered`` (junctions and tubes),
``thinning``, ``build`` (all of it), ``files`` (networks on disk).
"""
