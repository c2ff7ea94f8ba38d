"""Cakes for the general oracle: beds on the wetted face, in series with what is below them.

A class of grains *lies* at an inlet junction when it fits none of its tubes. There the reservoir's
slurry parts: what comes through has lost these, of which what stays lies in a bed as porous as e,

    R = mu thickness / (k area)    k = d^2 e^3 / (180 (1 - e)^2)

with d the Sauter diameter of what lies there (Carman 1937). What leaves the slurry is cake, pores
and all, and what comes through: a volume S of slurry with a fraction P that lies leaves a cake of
S P / (1 - e), and S (1 - P / (1 - e)) comes through.
"""

from __future__ import annotations

import numpy as np

#: Resistance of no bed, over that of the junction's tubes: pressures stay defined.
LEAST = 1e-12


class Beds:
    """Of r inlet junctions. node (r,), area (r,) m2, lies (r, k), through (r, k), viscosity (r,).

    through: of each class what comes with a m3 that comes through: afloat in it, if the class
    passes; to the face and the throats below it, if it lies there.
    """

    def __init__(self, grains, viscosity, points, ends, tubes, inlet, face_m2=None):
        """viscosity: without grains, Pa s; tubes: radius, length, waist (m,) each.

        face_m2: of all inlet junctions together; by default each has the square of the distance to
        the next, and no less than its tubes' sections.
        """
        radius, length, waist = tubes
        node = np.unique(inlet)
        here = (ends[None] == node[:, None, None]).any(2)  # (r, m)
        widest = np.where(here, 2 * radius * waist, 0.0).max(1)
        self.lies = grains.diameter >= widest[:, None]
        if not self.lies.any():  # then nothing keeps the reservoir from its junctions
            node, here, self.lies = node[:0], here[:0], self.lies[:0]
        self.node, self.grains = node, grains
        self.area = np.full(len(node), np.nan if face_m2 is None else face_m2 / max(len(node), 1))
        if face_m2 is None:
            gap = np.linalg.norm(points[node][:, None] - points[node], axis=-1)
            np.fill_diagonal(gap, np.inf)
            next_one = gap.min(1, initial=np.inf)
            next_one[np.isinf(next_one)] = 0.0
            self.area = np.maximum(next_one**2, (here * np.pi * radius**2).sum(1))
        part = grains.offered
        stay = (self.lies * part).sum(1, keepdims=True)
        passing = part / (1 - stay)
        e = grains.bed_porosity
        self.through = np.where(self.lies, part / (1 - stay / (1 - e)), passing)
        afloat = np.where(self.lies, 0.0, passing).sum(1)
        self.viscosity = viscosity * grains.thickening(afloat)
        self.section = (here * np.pi * (radius * waist) ** 2).sum(1)
        self.least = LEAST * 8 * viscosity / np.pi / (here * radius**4 / length).sum(1)

    def resistance(self, caked):
        """(r,) Pa s / m3 under caked (r, k) m3 of grains."""
        e = self.grains.bed_porosity
        solid, surface = caked.sum(1), (caked / self.grains.diameter).sum(1)
        size = solid / np.maximum(surface, 1e-300)
        permeable = np.where(solid > 0, size, 1.0) ** 2 * e**3 / (180 * (1 - e) ** 2)
        thick = solid / ((1 - e) * self.area)
        return self.least + self.viscosity * thick / (permeable * self.area)


def grown(flows, points, c):
    """Share (len(c), r) of a step's cake that has come at c (0 to 1), as the flow through it goes.

    flows (s, r) at the step's points (s,); evenly where they change their sign, or are not known.
    """
    even = np.repeat(c[:, None], flows.shape[1], 1)
    one_way = (flows > 0).all(0) | (flows < 0).all(0)
    power = np.arange(len(points))
    parts = np.linalg.solve(points[:, None] ** power, flows) / (power + 1)[:, None]
    whole = np.where(one_way, parts.sum(0), 1.0)
    return np.where(one_way, c[:, None] ** (power + 1) @ parts / whole, even)
