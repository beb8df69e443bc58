"""What a rig makes of a turned engine, and what the network sees of it: folds, an overview, labels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from fleet import MOST, STRONG, WEAK, Tensors, spacing
from turning import SAMPLE_S

BINS, CYCLES = 256, 10
OVERVIEW, OVERVIEW_BLOCK, BEFORE = 512, 5, 10  # samples of the overview, of 2 ms in each, and before the onset
RATE_HZ = 1.0 / SAMPLE_S
WRONG = (0.5, 2.0, 2 / 3, 1.5, 1 / 3, 3.0, 0.75, 4 / 3)
WRONG_SHARES = (0.27, 0.27, 0.1, 0.1, 0.08, 0.08, 0.05, 0.05)
SLIPS = 0.02
NOTED = 11  # plain numbers beside the one-hot count of cylinders


@dataclass
class Rig:
    """Random numbers of a batch."""

    gen: torch.Generator
    size: int
    device: torch.device

    def uniform(self, low: float, high: float, *shape: int) -> torch.Tensor:
        """Return uniform numbers, shape (size, 1) or the one given."""
        return torch.rand(*(shape or (self.size, 1)), generator=self.gen, device=self.device) * (high - low) + low

    def log(self, low: float, high: float, *shape: int) -> torch.Tensor:
        """Return numbers whose logarithm is uniform."""
        return torch.exp(self.uniform(math.log(low), math.log(high), *shape))

    def normal(self, *shape: int) -> torch.Tensor:
        """Return standard normal numbers."""
        return torch.randn(*shape, generator=self.gen, device=self.device)

    def yes(self, share: float) -> torch.Tensor:
        """Return whether, shape (size, 1)."""
        return self.uniform(0.0, 1.0) < share


def low_pass(x: torch.Tensor, lag_hz: torch.Tensor, corner_hz: float = 60.0, order: int = 3) -> torch.Tensor:
    """Return (B, T) after the analysis' zero-phase low-pass and a probe's own first-order one at `lag_hz` (B, 1)."""
    m, pad = x.shape[1], 40
    more = (-(m + 2 * pad)) % 600  # lengths of small factors are fast
    odd = torch.cat(
        [2 * x[:, :1] - x[:, 1 : pad + 1].flip(1), x, 2 * x[:, -1:] - x[:, -pad - more - 1 : -1].flip(1)], 1
    )
    ramp = odd[:, :1] + (odd[:, -1:] - odd[:, :1]) * torch.linspace(0, 1, odd.shape[1], device=x.device)
    f = torch.fft.rfftfreq(odd.shape[1], 1 / RATE_HZ, device=x.device)
    gain = 1 / (1 + (f / corner_hz) ** (2 * order)) / (1 + 1j * f / lag_hz)
    return (torch.fft.irfft(torch.fft.rfft(odd - ramp) * gain, odd.shape[1]) + ramp)[:, pad : pad + m]


def recorded(current: torch.Tensor, rig: Rig) -> torch.Tensor:
    """Return the current (B, T) as probe, hash, hum, converter and a slow board make it."""
    size, many = current.shape
    t = torch.arange(many, device=rig.device) * SAMPLE_S
    y = current + torch.where(
        rig.yes(0.8), rig.uniform(-0.04, 0.14), rig.uniform(-0.12, 0.25)
    )  # hold-in, a zero that is off
    y = y * (1 + rig.log(0.0005, 0.03) * torch.sin(2 * math.pi * rig.uniform(5, 120) * t + rig.uniform(0, 6.3)))
    y = y + rig.log(0.0005, 0.06) * rig.normal(size, many)
    mains = torch.where(rig.yes(0.6), rig.uniform(49, 51), rig.uniform(59, 61))
    y = y + rig.log(0.0003, 0.03) * torch.sin(2 * math.pi * mains * t + rig.uniform(0, 6.3))
    y = y + rig.uniform(-0.02, 0.02) * t
    spike = (rig.uniform(0, 1, size, many) < 0.001) & rig.yes(0.05)
    y = torch.where(spike, y + rig.uniform(-0.6, 0.6), y)
    slow_hz = rig.log(70, 450)  # a board this slow, its samples joined by lines
    at = torch.arange(many, device=rig.device) / RATE_HZ * slow_hz
    low = torch.floor(at) / slow_hz * RATE_HZ
    high = ((torch.floor(at) + 1) / slow_hz * RATE_HZ).clamp(max=many - 1)
    share = at - torch.floor(at)
    joined = y.gather(1, low.long()) * (1 - share) + y.gather(1, high.long()) * share
    y = torch.where(rig.yes(0.12), joined, y)
    step = torch.where(rig.yes(0.45), rig.log(0.001, 0.05), torch.full((size, 1), 1e-5, device=rig.device))
    return torch.round(y / step) * step


def clip_tops(y: torch.Tensor, first: torch.Tensor, last: torch.Tensor, rig: Rig) -> torch.Tensor:
    """Return the current with the tops of a tenth of the captures lightly clipped: more than that is refused."""
    at = torch.arange(y.shape[1], device=rig.device)
    inside = torch.where((at >= first[:, None]) & (at < last[:, None]), y, torch.nan)[:, ::8]
    top = torch.sort(inside, 1).values  # not-a-numbers last
    many = torch.isfinite(top).sum(1)
    limit = top.gather(1, ((many - 1).clamp(min=0) * rig.uniform(0.88, 1.0)[:, 0]).long()[:, None])
    return torch.where(rig.yes(0.1), torch.minimum(y, limit), y)


def hypothesis(d: Tensors, rig: Rig, wrong_share: float) -> Tensors:
    """Return the card and the cycle rate under which each capture is looked at, and whether both are right."""
    wrong = rig.yes(wrong_share)[:, 0]
    some = torch.multinomial(
        torch.tensor(WRONG_SHARES, device=rig.device), rig.size, replacement=True, generator=rig.gen
    )
    ratio = torch.tensor(WRONG, device=rig.device)[some]
    slip = 1 + torch.where(rig.yes(0.5)[:, 0], 1.0, -1.0) / d["n"]
    pick = rig.uniform(0, 1)[:, 0]
    ratio = torch.where(pick < 0.12, slip, torch.where(pick < 0.2, rig.log(0.4, 2.5)[:, 0], ratio))
    other = torch.randperm(rig.size, generator=rig.gen, device=rig.device)
    unlike = (d["n"][other] != d["n"]) | ((d["irregular"][other] - d["irregular"]).abs() > 0.1)
    card = wrong & rig.yes(0.35)[:, 0] & unlike
    out = {
        k: torch.where(card if d[k].dim() == 1 else card[:, None], d[k][other], d[k])
        for k in ("n", "fire", "pattern", "irregular")
    }
    ratio = torch.where(card & rig.yes(0.5)[:, 0], 1.0, ratio)
    ratio = torch.where(((ratio - 1).abs() < 0.02) & ~card, 1.5, ratio)
    return {**out, "ratio": torch.where(wrong, ratio, 1.0), "right": ~wrong}


def observe(d: Tensors, gen: torch.Generator, wrong_share: float = 0.3) -> Tensors:
    """Return what the network sees of each engine under one hypothesis, and the labels."""
    device, (size, many) = d["current"].device, d["current"].shape
    rig = Rig(gen, size, device)
    begin = torch.where(rig.yes(0.5), rig.uniform(0.36, 0.6), rig.uniform(0.4, 1.7))[:, 0]
    begin = torch.where(d["decompressed"] > 0, d["decompressed"] + 0.3 + 0.5 * rig.uniform(0, 1)[:, 0], begin)
    first = (begin * RATE_HZ).long()
    last = (
        first + (torch.where(rig.yes(0.3), rig.uniform(0.5, 1.6), rig.uniform(1.0, 4.1))[:, 0] * RATE_HZ).long()
    ).clamp(max=many - 20)
    raw = clip_tops(recorded(d["current"], rig), first, last, rig)
    y = low_pass(raw, torch.where(rig.yes(0.25), rig.log(25, 400), rig.uniform(400, 3000)))
    card = hypothesis(d, rig, wrong_share)
    angle = d["angle"]

    def at_angle(wanted: torch.Tensor) -> torch.Tensor:
        j = torch.searchsorted(angle, wanted.contiguous()).clamp(1, many - 1)
        low, high = angle.gather(1, j - 1), angle.gather(1, j)
        return j - 1 + ((wanted - low) / (high - low).clamp(min=1e-5)).clamp(0, 1)

    slipped = rig.yes(SLIPS)[:, 0]  # a count of cycles that lost or gained a hump on its way
    card["right"] = card["right"] & ~slipped
    start, stop = angle.gather(1, first[:, None])[:, 0], angle.gather(1, last[:, None])[:, 0]
    step = d["cycle"] * card["ratio"]
    k = torch.floor((stop - start) / step)
    rpm = d["rpm"] / card["ratio"]
    usable = (k >= 1) & (rpm > 45) & (rpm < 520)
    k = k.clamp(1, CYCLES).long()
    passed = torch.arange(CYCLES + 1, device=device)
    hump = torch.where(rig.yes(0.5)[:, 0], 1.0, -1.0) * d["cycle"] / d["n"] * slipped
    late = passed >= (1 + rig.uniform(0, 1) * (k - 1).clamp(min=0)[:, None])
    edges = at_angle(start[:, None] + step[:, None] * passed + hump[:, None] * late)
    edges = edges + rig.log(0.0002, 0.006) * rig.normal(size, CYCLES + 1) * (edges[:, 1] - edges[:, 0])[:, None]
    share = (torch.arange(BINS, device=device) + 0.5) / BINS
    at = (
        (edges[:, :-1, None] + (edges[:, 1:] - edges[:, :-1])[..., None] * share)
        .clamp(0, many - 1.001)
        .reshape(size, -1)
    )
    j, part = at.long(), at - at.long()
    folds = (y.gather(1, j) * (1 - part) + y.gather(1, j + 1) * part).reshape(size, CYCLES, BINS)
    inside = (torch.arange(CYCLES, device=device) < k[:, None]).float()
    period = SAMPLE_S * (edges.gather(1, k[:, None])[:, 0] - edges[:, 0]) / k
    known = rig.yes(0.75)[:, 0].float()
    ceiling = (
        torch.where(rig.yes(0.15), rig.uniform(0.4, 1.0), torch.full((size, 1), 2.0, device=device))[:, 0] * d["inrush"]
    )
    x, noted, level = features(
        folds, inside, edges, period, torch.minimum(d["inrush"], ceiling), known, d["two"], card["irregular"], card["n"]
    )
    over = overview(torch.minimum(y, ceiling[:, None]), level, first, last, known, rig)
    labels = true_labels(d, card, start, step, k, edges, period, at_angle, last)
    sane = torch.isfinite(x).all(-1).all(-1) & torch.isfinite(noted).all(-1) & torch.isfinite(over).all(-1).all(-1)
    sane &= torch.isfinite(labels["phase"])
    seen = {"x": x, "noted": noted, "over": over, **labels}
    seen = {
        key: torch.where(
            sane.reshape(-1, *[1] * (v.dim() - 1)),
            torch.nan_to_num(v) if v.is_floating_point() else v,
            torch.zeros_like(v),
        )
        for key, v in seen.items()
    }
    before, after = spacing(card["fire"], card["n"])
    return {
        **seen,
        "fire": card["fire"],
        "n": card["n"],
        "pattern": card["pattern"],
        "before": before,
        "after": after,
        "usable": usable & sane,
        "level": level,
        "period": period,
    }


def true_labels(
    d: Tensors,
    card: Tensors,
    start: torch.Tensor,
    step: torch.Tensor,
    k: torch.Tensor,
    edges: torch.Tensor,
    period: torch.Tensor,
    at_angle: object,
    last: torch.Tensor,
) -> Tensors:
    """Return phase, percents, what fires and what compresses, and where each of these may be asked."""
    assert callable(at_angle)
    middle = start + step * (k // 2)  # where cylinder 0 compresses, as a share of the cycle; all cylinders vote
    cycle = d["cycle"][:, None]
    tdc = middle[:, None] + torch.remainder(d["fire"] * cycle - middle[:, None], cycle)
    share = (at_angle(tdc) - edges.gather(1, (k // 2)[:, None])) * SAMPLE_S / period[:, None] - d["fire"]
    valid = torch.arange(MOST, device=share.device) < d["n"][:, None]
    phase = torch.remainder(torch.angle((torch.exp(2j * math.pi * share) * valid).sum(1)) / (2 * math.pi), 1.0)
    until = last * SAMPLE_S
    fires = d["fires_from"] < until
    clear = (d["fires_from"] < until - 0.35) | (d["fires_from"] > until)
    right = card["right"]
    compresses = d["strongest"] > STRONG
    told = compresses | (d["strongest"] < WEAK)
    return {
        "phase": phase,
        "percent": d["percent"],
        "right": right,
        "fires": fires,
        "compresses": compresses,
        "ask_percent": right & ~fires & (d["strongest"] > 1.0),
        "ask_fires": right & clear & compresses,
        "ask_compresses": told & right,
        "starter": torch.stack([torch.log(d["stall"]), torch.log(d["lag"] / 0.03), 20 * d["sag"]], 1),
    }


def features(
    folds: torch.Tensor,
    inside: torch.Tensor,
    edges: torch.Tensor,
    period: torch.Tensor,
    inrush: torch.Tensor,
    known: torch.Tensor,
    two: torch.Tensor,
    irregular: torch.Tensor,
    n: torch.Tensor,
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Return channels (B, 5, BINS), numbers (B, NOTED + MOST) and the level of folds (B, CYCLES, BINS)."""
    m, k = inside[..., None], inside.sum(1)
    own = folds.mean(2)
    level = (own * inside).sum(1) / k
    ripples = (folds - own[..., None]) * m
    mean = ripples.sum(1) / k[:, None]
    off = (ripples - mean[:, None]) * m
    spread = torch.sqrt((off**2).sum(1) / (k - 1).clamp(min=1)[:, None])
    sd = mean.std(1).clamp(min=1e-4)
    at = torch.arange(inside.shape[1], device=folds.device)
    late = (2 * at >= k[:, None]).float() * inside
    odd = (at % 2).float() * inside

    def difference(part: torch.Tensor) -> torch.Tensor:
        rest = inside - part
        both = (ripples * part[..., None]).sum(1) / part.sum(1).clamp(min=1)[:, None] - (ripples * rest[..., None]).sum(
            1
        ) / rest.sum(1).clamp(min=1)[:, None]
        return both / sd[:, None] * (k > 1)[:, None]

    floor = level.clamp(min=1e-3)
    x = torch.stack(
        [
            mean / sd[:, None],
            mean / floor[:, None] * 2,
            torch.log(0.02 + spread / sd[:, None]) + 2.5,
            difference(late) * 2,
            difference(odd) * 2,
        ],
        1,
    )
    c = at - (k[:, None] - 1) / 2
    square = (c**2 * inside).sum(1).clamp(min=0.5)
    drift = (own / floor[:, None] * c * inside).sum(1) / square
    width = (edges[:, 1:] - edges[:, :-1]) * SAMPLE_S
    slowing = (width / period[:, None] * c * inside).sum(1) / square
    uneven = torch.sqrt((((width / period[:, None] - 1 - slowing[:, None] * c) * inside) ** 2).sum(1) / k)
    scatter = torch.sqrt((off**2).sum((1, 2)) / (k - 1).clamp(min=1) / folds.shape[2]) / sd
    rpm = 60 * torch.where(two, 1.0, 2.0) / period
    noted = torch.stack(
        [
            2 * torch.log(rpm / 200),
            torch.log2(k) - 1,
            torch.log(sd / floor) + 1.3,
            known * (torch.log((inrush / floor).clamp(0.5, 12)) - 1),
            known,
            15 * drift.clamp(-0.2, 0.2),
            two.float(),
            2 * irregular,
            30 * slowing.clamp(-0.1, 0.1),
            torch.log(0.002 + uneven) + 4.5,
            torch.log(0.01 + scatter) + 2,
        ],
        1,
    )
    kinds = torch.nn.functional.one_hot((n - 1).clamp(0, MOST - 1), MOST).float()
    return x.clamp(-12, 12), torch.cat([noted.clamp(-6, 6), kinds], 1), level


def overview(
    y: torch.Tensor, level: torch.Tensor, first: torch.Tensor, last: torch.Tensor, known: torch.Tensor, rig: Rig
) -> torch.Tensor:
    """Return the whole crank, (B, 3, OVERVIEW): current over its level, where there is one, and where it is judged."""
    size, many = y.shape
    blocks = y[:, : many // OVERVIEW_BLOCK * OVERVIEW_BLOCK].reshape(size, -1, OVERVIEW_BLOCK).mean(2)
    count = blocks.shape[1]
    at = torch.arange(OVERVIEW, device=y.device)[None]
    onset = BEFORE + rig.uniform(-3, 4).long()
    source = at - onset
    end = last + torch.where(rig.yes(0.8), rig.uniform(0, 60), rig.uniform(0, 1200))[:, 0].long()
    start = torch.where((known < 0.5) & rig.yes(0.5)[:, 0], first, torch.zeros_like(first))
    there = (source >= start[:, None] // OVERVIEW_BLOCK) & (source < (end[:, None] // OVERVIEW_BLOCK).clamp(max=count))
    judged = (source >= first[:, None] // OVERVIEW_BLOCK) & (source < last[:, None] // OVERVIEW_BLOCK) & there
    value = blocks.gather(1, source.clamp(0, count - 1)) / level.clamp(min=1e-3)[:, None] - 1
    return torch.stack([value.clamp(-1.5, 5) * there, there.float(), judged.float()], 1)
