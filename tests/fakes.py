"""A made-up solid and made-up soaks, for tests of everything that stands behind the march.

The front goes as depth = k sqrt(t) with a fixed roughness; nothing here is physics.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from poresim.record.layout import QUANTILES
from poresim.record.model import Repeat
from poresim.record.writing import Header, Parts
from poresim.solid.network import Network
from poresim.uptake.result import Ending, Soak

SPACING = 1e-4


def block(cells: tuple[int, int, int] = (8, 8, 12), seed: int = 0) -> Network:
    """A cubic block with some tubes taken out and lognormal radii."""
    rng = np.random.default_rng(seed)
    grid = np.stack(np.meshgrid(*(np.arange(c) for c in cells), indexing="ij"), axis=-1)
    index = np.arange(grid[..., 0].size).reshape(cells)
    ends = np.concatenate(
        [
            np.stack([index[:-1].ravel(), index[1:].ravel()], axis=1),
            np.stack([index[:, :-1].ravel(), index[:, 1:].ravel()], axis=1),
            np.stack([index[:, :, :-1].ravel(), index[:, :, 1:].ravel()], axis=1),
        ]
    )
    ends = ends[rng.random(len(ends)) < 0.9]
    points = (grid.reshape(-1, 3) + 0.5) * SPACING
    return Network(
        points,
        ends,
        radius=15e-6 * np.exp(0.5 * rng.standard_normal(len(ends))),
        waist=0.5,
        faces={"bottom": index[:, :, 0].ravel(), "top": index[:, :, -1].ravel()},
        size=np.array(cells) * SPACING,
    )


def soak(
    solid: Network,
    crossing_s: float,
    until_s: float = 20.0,
    closed: float = 0.0,
    snapshots: tuple[float, ...] = (),
    seed: int = 0,
) -> Soak:
    """Liquid that needs ``crossing_s`` to cross the block; ``closed`` of the throats blocked."""
    rng = np.random.default_rng(seed)
    depth = solid.points[:, 2] - solid.points[:, 2].min()
    rough = depth * np.exp(0.15 * rng.standard_normal(len(depth)))
    arrives = crossing_s * (rough / depth.max()) ** 2
    blocked_at = np.full(solid.tubes, np.nan)
    shut = rng.random(solid.tubes) < closed
    first = arrives[solid.ends].min(axis=1)
    blocked_at[shut] = first[shut]
    if closed:
        arrives = np.where(rough > depth.max() * (1 - closed), np.inf, arrives)
    last = arrives[solid.ends].max(axis=1)
    first = arrives[solid.ends].min(axis=1)
    filled = np.where(np.isfinite(last) & ~shut & (last <= until_s), last, np.nan)
    rest = bool(closed) or np.nanmax(np.where(np.isfinite(last), last, np.nan)) < until_s
    time = np.unique(np.concatenate([[0.0], until_s * np.linspace(0.01, 1, 60) ** 2, snapshots]))

    def fill(t: float) -> np.ndarray:
        both = np.minimum(arrives, 1e9)[solid.ends]
        span = np.maximum(np.abs(both[:, 1] - both[:, 0]), 1e-9)[:, None]
        share = np.where(both <= t, np.sqrt(np.clip((t - both) / span, 0, 1)), 0.0)
        share = np.where(shut[:, None], np.minimum(share, 0.3), share)
        over = share.sum(axis=1, keepdims=True)
        return np.where(over > 1, share / np.maximum(over, 1), share)

    shares = np.array([fill(t).sum(axis=1) for t in time])
    uptake = np.maximum.accumulate(shares @ solid.tube_volume)
    front = np.sqrt(time / crossing_s)[:, None] * depth.max()
    front = np.minimum(front * (1 + 0.3 * (np.array(QUANTILES) - 0.5)), depth.max())
    if closed:
        front = np.minimum(front, depth.max() * (1 - closed))
    return Soak(
        time_s=time,
        uptake_m3=uptake,
        saturation=uptake / solid.tube_volume.sum(),
        front_m=front,
        front_mean_m=front[:, 2],
        front_width_m=front[:, 4] - front[:, 2],
        filled_at_s=filled,
        wetted_at_s=np.where(arrives <= until_s, arrives, np.nan),
        blocked_at_s=np.where(blocked_at <= until_s, blocked_at, np.nan),
        pressure_pa=np.zeros(solid.junctions),
        class_diameter_m=np.zeros(0),
        carried_in_m3=np.zeros((len(time), 0)),
        suspended_m3=np.zeros((len(time), 0)),
        captured_m3=np.zeros((len(time), 0)),
        left_m3=np.zeros((len(time), 0)),
        cake_m3=np.zeros((len(time), 0)),
        cake_thickness_m=np.zeros(len(time)),
        front_fraction=np.full(len(time), np.nan),
        offered_share=np.zeros((len(time), 0)),
        cup_m3=np.zeros((len(time), 0)),
        captured_in_tube_m3=np.zeros((solid.tubes, 0)),
        drop_m3=np.zeros(0),
        film_m3=np.zeros(0),
        drop_angle_deg=np.zeros(0),
        drop_base_m=np.zeros(0),
        drop_height_m=np.zeros(0),
        dispensed_m3=np.zeros(0),
        trapped_share=np.zeros(0),
        trapped_pv_j=np.zeros(0),
        bubbled_pv_j=np.zeros(0),
        air_pa=np.zeros(0),
        snapshot_time_s=np.array(snapshots),
        snapshot_fill=np.array([fill(t) for t in snapshots], dtype=np.float32).reshape(
            len(snapshots), solid.tubes, 2
        ),
        shear_edges_1_s=np.array([1.0, 100.0, 1000.0, 10000.0]),
        shear_share=np.array([0.25, 0.5, 0.25]),
        dissipated_j=1e-9,
        ending=Ending.STOPPED if closed else Ending.FULL if rest else Ending.TIME,
        steps=len(time) - 1,
        solves=5 * len(time),
        volume_balance=1e-6,
        accuracy=0.01,
    )


LIQUIDS = (
    ("clear broth", 1005.0, 7.0, 0.0),
    ("gum broth", 1010.0, 45.0, 0.0),
    ("spiced broth", 1005.0, 8.0, 0.32),
    ("gum + spiced broth", 1010.0, 60.0, 0.3),
)


def header(liquids: int = 4, repeats: int = 3, title: str = "A rusk in four broths") -> Header:
    """Header of a made-up run."""
    return Header(
        title=title,
        scenario='title = "A rusk in four broths"  # all values are invented\n',
        seed=11,
        key="made-up",
        faces=("bottom",),
        liquids=[(name, density) for name, density, *_ in LIQUIDS[:liquids]],
        repeats=repeats,
    )


def record_file(
    folder: Path,
    liquids: int = 4,
    repeats: int = 3,
    cells: tuple[int, int, int] = (8, 8, 12),
    snapshots: int = 12,
    name: str = "made_up",
    title: str = "A rusk in four broths",
) -> Path:
    """Write a whole record of made-up soaks; its path."""
    head = header(liquids, repeats, title)
    parts = Parts(folder / f"{name}.parts", head)
    parts.open(resume=False)
    until = 20.0
    times = tuple(until * (i / snapshots) ** 2 for i in range(1, snapshots + 1))
    finished = set()
    for n in range(repeats):
        solid = block(cells, seed=n)
        for k, (_, density, crossing, closed) in enumerate(LIQUIDS[:liquids]):
            one = soak(solid, crossing * (1 + 0.1 * n), until, closed, times if n == 0 else (), n)
            parts.add(k, n, Repeat.of(one, density), solid)
            finished.add((k, n))
    parts.merge(folder / f"{name}.h5", finished)
    parts.remove()
    return folder / f"{name}.h5"
