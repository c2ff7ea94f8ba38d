"""Rival explanations weighed against what was measured at the bench.

``unknowns`` what is not known, ``rivals`` what may explain, ``entries`` a soak as numbers,
``features`` its curve as numbers, ``bank`` runs over all of it and what they teach, ``bench`` what
was measured, ``likelihood`` how likely that is, ``evidence`` under which explanation.
"""
