"""Calibration on fresh engines of the prior: ``python calibrate.py CHECKPOINT.pt OUT.npz [--seed S] [--each N]``.

Writes the averaged weights as float16 for the wheel and prints, for every number of cylinders, how the answers hold.
"""

from __future__ import annotations

import argparse
import hashlib
from itertools import pairwise
from pathlib import Path

import numpy as np
import torch
from fleet import MOST, Tensors, fleet
from network import LEVELS, PHASES, Network
from observe import observe

EDGES = (0.0, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 1.0001)
FREE = 16  # placements tried at the most: an uneven pattern has that many times as many


def export(weights: Tensors, out: Path) -> str:
    """Write the weights as float16 and return the file's sha256."""
    np.savez(out, **{k: v.float().cpu().numpy().astype(np.float16) for k, v in weights.items()})
    return hashlib.sha256(out.read_bytes()).hexdigest()


def best_place(net: Network, h: torch.Tensor, b: Tensors) -> torch.Tensor:
    """Return the likeliest placement of each fold, in cycles."""
    size, device = len(h), h.device
    scores = []
    for part in range(FREE):
        at = (torch.arange(PHASES, device=device) + part * PHASES)[None] / (PHASES * b["n"][:, None].float())
        score = net.placed(h, at[..., None] + b["fire"][:, None], b["n"]).float()
        scores.append(score.masked_fill(part >= b["pattern"][:, None], -1e9))
    best = torch.cat(scores, 1).argmax(1)
    return (best / (PHASES * b["n"].float())).reshape(size)


def shares(p: torch.Tensor, truth: torch.Tensor) -> str:
    """Return how often something is true, by the probability that was given."""
    out = []
    for low, high in pairwise(EDGES):
        inside = (p >= low) & (p < high)
        if int(inside.sum()):
            out.append(f"{low:.2f}:{int(inside.sum())}/{float(truth[inside].float().mean()):.4f}")
    return " ".join(out)


def report(net: Network, b: Tensors) -> None:
    """Print the figures of one batch of observed engines, all at their true rate and card."""
    grid = torch.linspace(0, 100, LEVELS, device=b["x"].device)
    h = net.trunk(b["x"], b["noted"])
    place = best_place(net, h, b)
    out, least, both = net.cylinders(h, place[:, None] + b["fire"], b)
    state, _ = net.states(h, net.whole(b["over"], b["noted"]), both)
    p, q = torch.softmax(out.float(), -1), torch.softmax(least.float(), -1)
    step = 1 / b["n"].float()
    off = torch.round((place - b["phase"]) / step).long() % b["n"]  # cylinders by which an even card may be turned
    at = (torch.arange(MOST, device=p.device) + off[:, None]) % b["n"][:, None]
    truth = b["percent"].gather(1, at)
    valid = torch.arange(MOST, device=p.device) < b["n"][:, None]
    ask = b["usable"] & b["ask_percent"]
    c = torch.cumsum(p, -1)
    median, low, high = (grid[(c < v).sum(-1).clamp(max=LEVELS - 1)] for v in (0.5, 0.025, 0.975))
    which = valid & ask[:, None]
    error = (median - truth).abs()[which]
    holds = ((low - 0.5 <= truth) & (truth <= high + 0.5))[which].float().mean()
    lowest = b["percent"].masked_fill(~valid, 1e3).amin(1)
    below = (q * (grid < 75)).sum(1)
    misplaced = (((place - b["phase"]) / step + b["pattern"] / 2) % b["pattern"] - b["pattern"] / 2).abs() > 0.5
    print(
        f"  error {error.mean():.2f}, 95 % {error.quantile(0.95):.1f}, holds {100 * holds:.1f} %, width"
        f" {(high - low)[which].median():.1f}, misplaced {misplaced[ask].float().mean():.4f}"
    )
    print("  any low:", shares(below[ask], lowest[ask] < 75))
    print(
        "  fires:",
        shares(
            torch.sigmoid(state[:, 0].float())[b["usable"] & b["ask_fires"]], b["fires"][b["usable"] & b["ask_fires"]]
        ),
    )
    told = b["usable"] & b["ask_compresses"]
    print("  compresses:", shares(torch.sigmoid(state[:, 1].float())[told], b["compresses"][told]))


def main() -> None:
    """Write the weights as float16, and print how their answers hold on fresh engines."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("checkpoint", type=Path)
    ask.add_argument("out", type=Path)
    ask.add_argument("--seed", type=int, default=770001)
    ask.add_argument("--each", type=int, default=65536)
    ask.add_argument("--device", default="cuda")
    a = ask.parse_args()
    z = torch.load(a.checkpoint, map_location=a.device)
    print(
        "sha256",
        export(z["average"], a.out),
        a.out.stat().st_size,
        "bytes",
        z["steps"],
        "steps",
        z["engines"],
        "engines",
    )
    net = Network().to(a.device)
    net.load_state_dict(z["average"])
    gen = torch.Generator(a.device)
    gen.manual_seed(a.seed)
    if a.device == "cpu":
        engines, _ = fleet(a.each, np.random.default_rng(a.seed), "cpu")
    else:
        import cupy

        engines, _ = fleet(a.each, cupy.random.default_rng(a.seed), a.device)
    with torch.no_grad():
        for n in sorted(set(engines["n"].tolist())):
            at = (engines["n"] == n).nonzero()[:, 0][:4096]
            some = {k: v[at] for k, v in engines.items()}
            print(n, "cylinders,", len(at), "engines")
            report(net, observe(some, gen, wrong_share=0.0))
            b = observe(some, gen, wrong_share=0.5)
            asked = b["usable"] & b["compresses"]
            print(
                "  right:",
                shares(torch.sigmoid(net.right(net.trunk(b["x"], b["noted"])).float())[asked], b["right"][asked]),
            )


if __name__ == "__main__":
    main()
