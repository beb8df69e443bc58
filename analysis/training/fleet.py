"""A batch of turned engines as tensors of torch, with the labels of each."""

from __future__ import annotations

import math
from typing import Any

import torch
from columns import ENGINE
from prior import COUNTS, NEVER, Drawn, draw
from turning import SAMPLE_S, SAMPLES, turn_here, turn_there

Tensors = dict[str, torch.Tensor]

SETTLED = 250  # samples after the key that no label looks at
MOST = 16  # cylinders, all engines padded to it
SPEEDS_RPM = (55.0, 520.0)  # mean cranking speeds kept
STRONG, WEAK = 1.6, 0.8
"""Peak gauge pressure of the strongest, in bar of the air's: engines above the first compress, those below the second
do not; between lies nothing that a label should say."""


def spacing(fire: torch.Tensor, n: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Return the gap before and after each firing, in mean intervals, shapes as `fire` (B, MOST)."""
    at = torch.arange(MOST, device=fire.device)
    after = torch.remainder(fire.gather(1, (at + 1) % n[:, None]) - fire - 1e-6, 1.0) + 1e-6
    before = torch.remainder(fire - fire.gather(1, (at - 1) % n[:, None]) - 1e-6, 1.0) + 1e-6
    valid = at < n[:, None]
    return before * n[:, None] * valid, after * n[:, None] * valid


def irregularity(fire: torch.Tensor, n: torch.Tensor) -> torch.Tensor:
    """Return the mean distance of the firing gaps from even ones, shape (B,)."""
    _, after = spacing(fire, n)
    valid = torch.arange(MOST, device=fire.device) < n[:, None]
    return ((after - 1.0).abs() * valid).sum(1) / n


def labelled(drawn: Drawn, turned: dict[str, Any], device: str) -> tuple[Tensors, float]:
    """Return the engines that turned as starters turn them, and their share."""

    def there(x: Any) -> torch.Tensor:
        return torch.as_tensor(x, device=device)

    engine, n = there(drawn.engine), drawn.cylinder.shape[1]
    row = {k: engine[j] for j, k in enumerate(ENGINE)}
    current, angle, peak, extra = (there(turned[k]) for k in ("current", "angle", "peak", "extra"))
    moved = angle[-1] - angle[SETTLED]
    rpm = moved / ((SAMPLES - 1 - SETTLED) * SAMPLE_S) * 30 / math.pi
    strongest = peak.amax(0)
    early, late = current[SETTLED : SETTLED + 250].mean(0), current[-250:].mean(0)
    fires = row["FIRES_FROM"] < 0.5 * NEVER
    good = (rpm > SPEEDS_RPM[0]) & (rpm < SPEEDS_RPM[1] + 400.0 * fires) & torch.isfinite(current.sum(0))
    good &= ((extra[0] >= 2) & (late > 0.2 * early) & (late < 3 * early)) | fires
    creep = (angle[SETTLED + 25 :] - angle[:-25][SETTLED:]).amin(0)
    good &= creep > 0.03 * moved / (SAMPLES - 1 - SETTLED) * 25  # never stands still for 50 ms
    at = good.nonzero()[:, 0]
    percent = (peak[:, at] / strongest[at].clamp(min=1e-3)).clamp(0, 1).T * 100
    fire = there(drawn.firing)[:, at].T

    def pad(x: torch.Tensor) -> torch.Tensor:
        return torch.nn.functional.pad(x, (0, MOST - n)).contiguous()

    count = torch.full((len(at),), n, device=device)
    lag = (row["ARMATURE"] + row["ENGINE"]) / (row["STALL"] - 1).clamp(min=0.1)
    out = {
        "current": current[:, at].T.contiguous(),
        "angle": angle[:, at].T.contiguous(),
        "percent": torch.nan_to_num(pad(percent)),
        "fire": pad(fire),
        "two": there(drawn.two_stroke)[at],
        "n": count,
        "pattern": there(drawn.pattern)[at].long(),
        "cycle": row["CYCLE"][at],
        "inrush": extra[1, at],
        "strongest": torch.where(fires, 9.0, strongest)[at],
        "fires_from": row["FIRES_FROM"][at],
        "rpm": rpm[at],
        "decompressed": row["SHUTS_AT"][at],
        "stall": row["STALL"][at],
        "sag": row["SAG"][at],
        "lag": lag[at],
    }
    out["irregular"] = irregularity(out["fire"], count)
    return out, float(good.float().mean())


def fleet(size: int, gen: Any, device: str = "cuda") -> tuple[Tensors, float]:
    """Return about `size` engines of all counts together, and the share that turned.

    Parameters
    ----------
    gen
        A random generator of cupy (device cuda) or numpy (device cpu).
    """
    parts, kept = [], 0.0
    for n, share in COUNTS.items():
        want = max(8, int(size * share))
        if device == "cpu":
            import numpy

            drawn = draw(numpy, gen, n, want)
            part, good = labelled(drawn, turn_here(drawn), device)
        else:
            import cupy

            with cupy.cuda.ExternalStream(torch.cuda.current_stream().cuda_stream):
                drawn = draw(cupy, gen, n, want)
                part, good = labelled(drawn, turn_there(drawn), device)
        parts.append(part)
        kept += share * good
    return {k: torch.cat([p[k] for p in parts]) for k in parts[0]}, kept
