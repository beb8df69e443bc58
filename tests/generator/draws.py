"""Draws that every part of the generator makes, each from one seeded generator of random numbers."""

from __future__ import annotations

import numpy as np

Rng = np.random.Generator


def span(rng: Rng, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def log_span(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def pick(rng: Rng, weights: dict[str, float]) -> str:
    names = list(weights)
    p = np.array([weights[n] for n in names])
    return names[int(rng.choice(len(names), p=p / p.sum()))]
