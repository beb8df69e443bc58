"""The network in torch: a circular trunk over the fold, a look at every cylinder's TDC, and heads."""

from __future__ import annotations

from itertools import pairwise

import torch
from fleet import MOST, Tensors
from observe import NOTED
from torch import nn
from torch.nn import functional

LEVELS, PHASES = 101, 16  # percents 0, 1, .. 100; placements tried in each firing interval
CHANNELS, OVER_CHANNELS = 5, 3
WIDTH, NEAR, PLACE, JOINED, SECOND, OVER = 96, 0.35, 48, 160, 128, 64
DILATIONS, KERNEL = (1, 2, 4, 8, 16, 32, 1, 4), 5
OVER_WIDTHS = (32, 48, 64, 64)
SCALARS = NOTED + MOST
RIVALS = 12  # placements in the loss, the true one among them


def circular(h: torch.Tensor, pad: int) -> torch.Tensor:
    """Return (B, C, 1, L) with its ends joined on either side."""
    return torch.cat([h[..., -pad:], h, h[..., :pad]], -1)


def mlp(*widths: int) -> nn.Sequential:
    """Return linear layers with rectifiers between, none at the end."""
    parts: list[nn.Module] = []
    for a, b in pairwise(widths):
        parts += [nn.Linear(a, b), nn.ReLU()]
    return nn.Sequential(*parts[:-1])


class Network(nn.Module):
    """Posterior of one fold: see the README for what each head says."""

    def __init__(self) -> None:
        super().__init__()
        layers = len(DILATIONS) + 1
        self.first = nn.Conv2d(CHANNELS, WIDTH, (1, 9), stride=(1, 2))
        self.film = mlp(SCALARS, 96, 2 * WIDTH * layers)
        self.convs = nn.ModuleList(nn.Conv2d(WIDTH, WIDTH, (1, KERNEL), dilation=(1, q)) for q in DILATIONS)
        widths = (OVER_CHANNELS, *OVER_WIDTHS)
        self.over = nn.ModuleList(
            nn.Conv2d(a, b, (1, 5), stride=(1, 2), padding=(0, 2)) for a, b in pairwise(widths)
        )
        self.over_join = nn.Linear(2 * OVER_WIDTHS[-1] + SCALARS, OVER)
        self.one = nn.Sequential(nn.Linear(5 * WIDTH + 2, JOINED), nn.ReLU())
        self.two = mlp(5 * JOINED, SECOND, LEVELS)
        self.least = mlp(2 * JOINED, 96, LEVELS)
        self.place = nn.Linear(WIDTH, PLACE)
        self.place_join = mlp(2 * PLACE, 64, 1)
        self.rate = mlp(2 * WIDTH, 96, 1)
        self.state = mlp(2 * WIDTH + OVER + 2 * JOINED, 128, 2)
        self.starter = mlp(2 * WIDTH + OVER, 64, 6)

    def trunk(self, x: torch.Tensor, noted: torch.Tensor) -> torch.Tensor:
        """Return features (B, WIDTH, 128) of folds (B, CHANNELS, 256)."""
        fm = self.film(noted).reshape(len(x), len(DILATIONS) + 1, 2, WIDTH, 1, 1)
        h = self.first(circular(x[:, :, None].contiguous(memory_format=torch.channels_last), 4)[..., : x.shape[2] + 8])
        h = torch.relu(torch.addcmul(fm[:, 0, 1], h, 1 + fm[:, 0, 0]))
        for q, conv in enumerate(self.convs):
            g = conv(circular(h, DILATIONS[q] * (KERNEL // 2)))
            h = torch.add(h, torch.relu(torch.addcmul(fm[:, q + 1, 1], g, 1 + fm[:, q + 1, 0])), alpha=0.5)
        return h[:, :, 0]

    def whole(self, over: torch.Tensor, noted: torch.Tensor) -> torch.Tensor:
        """Return what the overview (B, 3, OVERVIEW) says, (B, OVER)."""
        h = over[:, :, None].contiguous(memory_format=torch.channels_last)
        for conv in self.over:
            h = torch.relu(conv(h))
        h = h[:, :, 0]
        return torch.relu(self.over_join(torch.cat([h.mean(2), h.amax(2), noted], 1)))

    @staticmethod
    def look(h: torch.Tensor, at: torch.Tensor) -> torch.Tensor:
        """Return features (B, m, C) of (B, C, L) at places (B, m) in cycles, linear between the samples."""
        length = h.shape[2]
        u = torch.remainder(at, 1.0) * length - 0.5
        off = torch.remainder(u[..., None] - torch.arange(length, device=h.device) + length / 2, length) - length / 2
        return torch.bmm((1 - off.abs()).clamp(min=0).to(h.dtype), h.transpose(1, 2))

    def cylinders(
        self, h: torch.Tensor, at: torch.Tensor, b: Tensors
    ) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Return logits of each cylinder (B, MOST, LEVELS) and of the lowest (B, LEVELS), and what is pooled."""
        n = b["n"][:, None]
        valid = (torch.arange(MOST, device=h.device) < n)[..., None]
        share = NEAR / n.float()
        places = torch.cat([at, at - share * b["before"].clamp(max=1.5), at + share * b["after"].clamp(max=1.5)], 1)
        seen = self.look(h, places)
        a = torch.cat([seen[:, :MOST], seen[:, MOST : 2 * MOST], seen[:, 2 * MOST :]], 2)
        mean, top = pooled(seen[:, :MOST], valid)
        gaps = torch.stack([b["before"], b["after"]], 2).to(a.dtype).clamp(max=3)
        u = self.one(torch.cat([a, spread(mean), spread(top), gaps], 2))
        index = torch.arange(MOST, device=h.device)
        around = [u.gather(1, ((index + s) % n)[..., None].expand(-1, -1, u.shape[2])) for s in (-1, 1)]
        mean, top = pooled(u, valid)
        out = self.two(torch.cat([u, *around, spread(mean), spread(top)], 2))
        both = torch.cat([mean, top], 1)
        return out, self.least(both), both

    def placed(self, h: torch.Tensor, at: torch.Tensor, n: torch.Tensor) -> torch.Tensor:
        """Return logits (B, P) of placements (B, P, MOST) of all cylinders."""
        size, many, _ = at.shape
        here = torch.einsum("bcl,pc->bpl", h, self.place.weight.to(h.dtype)) + self.place.bias.to(h.dtype)[:, None]
        a = torch.relu(self.look(here, at.reshape(size, many * MOST))).reshape(size, many, MOST, PLACE)
        valid = (torch.arange(MOST, device=h.device) < n[:, None])[:, None, :, None]
        mean = (a * valid).sum(2) / n[:, None, None].to(a.dtype)
        return self.place_join(torch.cat([mean, a.masked_fill(~valid, 0).amax(2)], 2))[..., 0]

    def right(self, h: torch.Tensor) -> torch.Tensor:
        """Return the logit that cycle rate and card are right."""
        return self.rate(torch.cat([h.mean(2), h.amax(2)], 1))[:, 0]

    def states(self, h: torch.Tensor, whole: torch.Tensor, both: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Return logits (B, 2) of firing and of compression, and means and log deviations of the starter (B, 6)."""
        about = torch.cat([h.mean(2), h.amax(2), whole], 1)
        return self.state(torch.cat([about, both], 1)), self.starter(about)


def spread(x: torch.Tensor) -> torch.Tensor:
    """Return (B, C) said again for every cylinder."""
    return x[:, None].expand(-1, MOST, -1)


def pooled(x: torch.Tensor, valid: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Return mean and top over the cylinders there are; features are those of rectifiers, 0 and up."""
    return (x * valid).sum(1) / valid.sum(1), x.masked_fill(~valid, 0).amax(1)


def level_loss(logit: torch.Tensor, percent: torch.Tensor) -> torch.Tensor:
    """Return the cross-entropy with the two levels next to the true percent, each by its nearness."""
    logp = torch.log_softmax(logit.float(), -1)
    u = (percent / 100 * (LEVELS - 1)).clamp(0, LEVELS - 1 - 1e-4)
    j = u.long()
    w = u - j
    return -(logp.gather(-1, j[..., None])[..., 0] * (1 - w) + logp.gather(-1, j[..., None] + 1)[..., 0] * w)


def mean_of(loss: torch.Tensor, asked: torch.Tensor) -> torch.Tensor:
    """Return the mean where something may be asked."""
    return (loss * asked).sum() / asked.sum().clamp(min=1)


def losses(net: Network, b: Tensors, chances: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Return the loss of a batch and its parts: cylinders, lowest, placement, rate, firing, compression, starter.

    Parameters
    ----------
    chances : tensor, shape (B, RIVALS + 1)
        Uniform random numbers: which other placements are tried, and how far off the grid the true one lies.
    """
    device, size = b["x"].device, len(b["x"])
    h = net.trunk(b["x"], b["noted"])
    usable = b["usable"].float()
    right = usable * b["right"]
    step = 1.0 / (PHASES * b["n"].float())

    many = PHASES * b["pattern"]
    far = (chances[:, 2:] * (many - 1)[:, None]).long() + 1
    tried = (
        torch.cat([torch.zeros(size, 1, device=device), far * step[:, None]], 1)
        + (b["phase"] + (chances[:, 0] - 0.5) * step)[:, None]
    )
    place = net.placed(h, tried[..., None] + b["fire"][:, None], b["n"]).float()
    bce = functional.binary_cross_entropy_with_logits
    nothing = torch.zeros(size, dtype=torch.long, device=device)
    l_place = mean_of(functional.cross_entropy(place, nothing, reduction="none"), right * b["compresses"])
    out, least, both = net.cylinders(h, (b["phase"] + 1.5 * (chances[:, 1] - 0.5) * step)[:, None] + b["fire"], b)
    valid = torch.arange(MOST, device=device) < b["n"][:, None]
    ask = usable * b["ask_percent"]
    l_each = mean_of(level_loss(out, b["percent"]), valid * ask[:, None])
    low = b["percent"].masked_fill(~valid, 1e3).amin(1).clamp(max=100)
    l_least = mean_of(level_loss(least, low), ask)
    l_rate = mean_of(bce(net.right(h).float(), b["right"].float(), reduction="none"), usable * b["compresses"])
    whole = net.whole(b["over"], b["noted"])
    state, starter = net.states(h, whole, both)
    l_fires = mean_of(bce(state[:, 0].float(), b["fires"].float(), reduction="none"), usable * b["ask_fires"])
    l_press = mean_of(bce(state[:, 1].float(), b["compresses"].float(), reduction="none"), usable * b["ask_compresses"])
    mean, spreads = starter.float().chunk(2, 1)
    spreads = spreads.clamp(-5, 3)
    l_start = mean_of((0.5 * ((b["starter"] - mean) * torch.exp(-spreads)) ** 2 + spreads).sum(1), ask)
    total = l_each + 0.5 * l_least + 0.2 * l_place + 0.3 * l_rate + 0.4 * l_fires + 0.2 * l_press + 0.03 * l_start
    return total, torch.stack([l_each, l_least, l_place, l_rate, l_fires, l_press, l_start]).detach()


PARTS = ("cylinders", "lowest", "placement", "rate", "firing", "compression", "starter")
