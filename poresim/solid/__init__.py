"""The porous solid: junctions joined by tubes.

``network`` is any graph of tubes; the rest draws one as a block: ``lattices`` (where junctions
may stand), ``sizes`` and ``waists`` (laws of radii and waists), ``layers`` and ``spec`` (what is
asked for), ``fitting`` and ``contents`` (cells, spacing and porosity that answer it), ``grid`` and
``scattered`` (junctions and tubes), ``thinning``, ``field`` (scores correlated in space), ``draws``
(radii and waists), ``bodies``, ``build`` (all of it), ``files`` (networks on disk).
"""
