"""The trained network in numpy: from what is seen of a cranking to distributions; many crankings at once.

Arrays carry the batch first. The network in torch, its training and its calibration are in `analysis/training`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

PHASES = 16  # placements tried in each firing interval
DILATIONS, KERNEL, FIRST_KERNEL, OVER_KERNEL = (1, 2, 4, 8, 16, 32, 1, 4), 5, 9, 5
NEAR = 0.35  # of a firing interval: where a cylinder is looked at before and after its TDC
WIDEST, WIDEST_GAP = 1.5, 3.0  # mean intervals: longer ones are cut off
NEIGHBOUR_SHARE = 0.02  # a place on the grid beside the best that is less likely does not count
OTHER_SHARE = 0.02  # of the probability: a placement less likely is none


@dataclass(frozen=True, eq=False)
class Placed:
    """What the network says of the cylinders where the firing order lies in one way.

    Parameters
    ----------
    at
        Where index 0 of the firing order compresses, in cycles after the fold's beginning.
    share
        How likely that is.
    each : ndarray, shape (n, 101)
        Distribution of each cylinder over 0, 1 .. 100 percent of the strongest.
    least : ndarray, shape (101,)
        Likewise of the lowest one.
    """

    at: float
    share: float
    each: NDArray[np.float64]
    least: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Heads:
    """What the network says of one cranking under one hypothesis about cycle rate and card.

    Parameters
    ----------
    right
        Probability that rate and card are right.
    fires, compresses
        Probability that something burns in the judged stretch, and that anything compresses at all.
    placements
        Where the firing order may lie in the cycle, the likeliest first.
    starter : ndarray, shape (3,)
        Logarithm of the stall current over the level, logarithm of the lag over 0.03 s, twenty times the sag a second.
    """

    right: float
    fires: float
    compresses: float
    placements: tuple[Placed, ...]
    starter: NDArray[np.float64]


@cache
def weights() -> dict[str, NDArray[np.float32]]:
    """Return the weights, those of convolutions and of layers as matrices to multiply with from the right."""
    with (files(__package__) / "weights.npz").open("rb") as file, np.load(file, allow_pickle=False) as kept:
        raw = {k: kept[k].astype(np.float32) for k in kept.files}
    return {k: (v if v.ndim == 1 else np.ascontiguousarray(v.T) if v.ndim == 2
                else np.ascontiguousarray(v[:, :, 0].transpose(2, 1, 0).reshape(-1, v.shape[0])))
            for k, v in raw.items()}


def _relu(x: NDArray[np.float32]) -> NDArray[np.float32]:
    out: NDArray[np.float32] = np.maximum(x, np.float32(0))
    return out


def _linear(x: NDArray[np.float32], name: str) -> NDArray[np.float32]:
    w = weights()
    out: NDArray[np.float32] = x @ w[name + ".weight"] + w[name + ".bias"]
    return out


def _two_layers(x: NDArray[np.float32], name: str) -> NDArray[np.float32]:
    return _linear(_relu(_linear(x, name + ".0")), name + ".2")


def _circular(h: NDArray[np.float32], name: str, dilation: int, kernel: int, stride: int = 1) -> NDArray[np.float32]:
    length = h.shape[1]
    at = (np.arange(0, length, stride)[:, None] + dilation * (np.arange(kernel) - kernel // 2)) % length
    return _linear(h[:, at].reshape(len(h), len(at), -1), name)


def trunk(fold: NDArray[np.float32], numbers: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return features (B, 128, width) of folds (B, 256, 5) and their numbers."""
    film = _two_layers(numbers, "film").reshape(len(fold), len(DILATIONS) + 1, 2, 1, -1)
    h = _relu(_circular(fold, "first", 1, FIRST_KERNEL, 2) * (1 + film[:, 0, 0]) + film[:, 0, 1])
    for q, dilation in enumerate(DILATIONS):
        g = _circular(h, f"convs.{q}", dilation, KERNEL)
        h = h + np.float32(0.5) * _relu(g * (1 + film[:, q + 1, 0]) + film[:, q + 1, 1])
    return h


def whole(overview: NDArray[np.float32], numbers: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return what the overview (B, 512, 3) says."""
    h = overview
    for q in range(4):
        padded = np.pad(h, ((0, 0), (OVER_KERNEL // 2, OVER_KERNEL // 2), (0, 0)))
        at = np.arange(0, h.shape[1], 2)[:, None] + np.arange(OVER_KERNEL)
        h = _relu(_linear(padded[:, at].reshape(len(h), len(at), -1), f"over.{q}"))
    return _relu(_linear(np.concatenate((h.mean(axis=1), h.max(axis=1), numbers), axis=1), "over_join"))


def _look(h: NDArray[np.float32], at: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return features of one cranking (L, C) at places in cycles, linear between the samples."""
    u = np.mod(at, 1.0) * len(h) - 0.5
    low = np.floor(u).astype(int)
    share = (u - low)[..., None].astype(np.float32)
    out: NDArray[np.float32] = h[low % len(h)] * (1 - share) + h[(low + 1) % len(h)] * share
    return out


def _softmax(x: NDArray[np.float32]) -> NDArray[np.float64]:
    e = np.exp(x.astype(np.float64) - x.max(axis=-1, keepdims=True))
    out: NDArray[np.float64] = e / e.sum(axis=-1, keepdims=True)
    return out


def _chance(logit: float) -> float:
    return float(1.0 / (1.0 + np.exp(-np.clip(logit, -40.0, 40.0))))


def _beside(x: NDArray[np.float32], more: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.broadcast_to(more, (len(x), len(more)))


def placements(h: NDArray[np.float32], fire: NDArray[np.float64], pattern: int) -> NDArray[np.float64]:
    """Return the probability of each placement of the firing order, `PHASES` in each interval of its pattern."""
    at = np.arange(PHASES * pattern) / (PHASES * len(fire))
    a = _relu(_look(_linear(h, "place"), at[:, None] + fire))
    return _softmax(_two_layers(np.concatenate((a.mean(axis=1), a.max(axis=1)), axis=1), "place_join")[:, 0])


def _cylinders(h: NDArray[np.float32], place: float, fire: NDArray[np.float64],
               ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float32]]:
    """Return distributions of each cylinder and of the lowest, and what is pooled over the cylinders."""
    n = len(fire)
    after = np.diff(np.append(fire, fire[0] + 1.0)) * n
    before = np.roll(after, 1)
    at = place + fire
    here = _look(h, at)
    near = [_look(h, at + s * NEAR / n * np.minimum(g, WIDEST)) for s, g in ((-1, before), (1, after))]
    mean, top = here.mean(axis=0), here.max(axis=0)
    gaps = np.minimum(np.stack((before, after), axis=1), WIDEST_GAP).astype(np.float32)
    u = _relu(_linear(np.concatenate((here, *near, _beside(here, mean), _beside(here, top), gaps), axis=1), "one.0"))
    mean, top = u.mean(axis=0), u.max(axis=0)
    beside = (np.roll(u, 1, axis=0), np.roll(u, -1, axis=0))
    each = _two_layers(np.concatenate((u, *beside, _beside(u, mean), _beside(u, top)), axis=1), "two")
    both = np.concatenate((mean, top))
    return _softmax(each), _softmax(_two_layers(both, "least")), both


def heads(fold: NDArray[np.float32], numbers: NDArray[np.float32], overview: NDArray[np.float32],
          fires: list[NDArray[np.float64]], patterns: list[int]) -> list[Heads]:
    """Return what the network says of crankings.

    Parameters
    ----------
    fold, numbers, overview : ndarray, shapes (B, 256, 5), (B, 27), (B, 512, 3)
        As `folds.look` makes them.
    fires
        TDC of each position as a share of the cycle, one array a cranking.
    patterns
        Firings after which the intervals repeat.
    """
    features = trunk(fold, numbers)
    seen = whole(overview, numbers)
    return [_of_one(h, s, fire, pattern) for h, s, fire, pattern in zip(features, seen, fires, patterns, strict=True)]


def _of_one(h: NDArray[np.float32], seen: NDArray[np.float32], fire: NDArray[np.float64], pattern: int) -> Heads:
    found, both = _places(h, fire, placements(h, fire, pattern))
    about = np.concatenate((h.mean(axis=0), h.max(axis=0), seen))
    state = _two_layers(np.concatenate((about, both)).astype(np.float32), "state")
    return Heads(
        right=_chance(float(_two_layers(np.concatenate((h.mean(axis=0), h.max(axis=0))), "rate")[0])),
        fires=_chance(float(state[0])), compresses=_chance(float(state[1])), placements=found,
        starter=_two_layers(about, "starter")[:3].astype(np.float64))


def _places(h: NDArray[np.float32], fire: NDArray[np.float64],
            shares: NDArray[np.float64]) -> tuple[tuple[Placed, ...], NDArray[np.float32]]:
    """Return the placements that are likely enough, and what is pooled over the cylinders at the likeliest."""
    left, pooled = shares.copy(), np.zeros(0, dtype=np.float32)
    found: list[Placed] = []
    while not found or (left.max() > OTHER_SHARE and len(found) < len(fire)):
        best = int(left.argmax())
        placed, both = _placed(h, best, fire, shares)
        found.append(placed)
        pooled = both if len(found) == 1 else pooled
        left[(best + np.arange(-PHASES // 2 + 1, PHASES // 2 + 1)) % len(left)] = 0.0
    return tuple(found), pooled


def _placed(h: NDArray[np.float32], best: int, fire: NDArray[np.float64],
            shares: NDArray[np.float64]) -> tuple[Placed, NDArray[np.float32]]:
    """Return the cylinders at a placement and its neighbours on the grid, each by its share."""
    n = len(fire)
    steps = [s for s in (-1, 0, 1) if s == 0 or shares[(best + s) % len(shares)] >= NEIGHBOUR_SHARE]
    share = np.array([shares[(best + s) % len(shares)] for s in steps])
    weight = share / share.sum()
    parts = [_cylinders(h, (best + s) / (PHASES * n), fire) for s in steps]
    each, least, both = (np.tensordot(weight, np.stack([part[k] for part in parts]), axes=1) for k in range(3))
    at = (best + float(weight @ np.array(steps))) / (PHASES * n)
    return Placed(at, min(float(share.sum()), 1.0), each, least), both.astype(np.float32)
