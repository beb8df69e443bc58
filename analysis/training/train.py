"""Train the network: simulate, observe, step. ``python train.py OUT.pt --steps N --of TOTAL [--from CHECKPOINT.pt]``.

By number of steps and seeded. One run may be cut into legs: each goes on with weights, averages, optimiser and learning
rate where the one before ended. On several GPUs start it with ``torchrun --nproc-per-node K``.
"""

from __future__ import annotations

import argparse
import math
import os
import queue
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from fleet import fleet
from network import PARTS, RIVALS, Network, losses
from observe import observe

AVERAGE = 0.9985  # of the weights, a step
WARM_UP = 300  # steps
CHECKED, GIVEN_UP = 20, 3  # steps between looks at the gradients, and how often they may be no numbers in a row
PACED = 150  # steps: one round observed as often as it is used
SHOWN_S = 15.0
AT_ONCE = 4  # batches observed together: many small operations cost more to start than to do


def arguments() -> argparse.Namespace:
    """Return what was asked for."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("out", type=Path)
    ask.add_argument("--steps", type=int, required=True, help="of this leg")
    ask.add_argument("--of", type=int, default=0, help="of the whole run, for the learning rate; 0: as many as fit in")
    ask.add_argument("--fit", type=float, default=600.0, help="so many seconds, by the pace of the first steps")
    ask.add_argument("--seconds", type=float, default=1e9, help="end the leg sooner, at the latest after so long")
    ask.add_argument("--from", dest="before", type=Path)
    ask.add_argument("--start", type=Path, help="weights as the wheel has them, to go on from with a new optimiser")
    ask.add_argument("--warm-up", type=int, default=WARM_UP, help="steps until the learning rate is reached")
    ask.add_argument("--average", type=float, default=AVERAGE, help="share of the average weights that a step keeps")
    ask.add_argument("--rate", type=float, default=2e-3)
    ask.add_argument("--batch", type=int, default=4096)
    ask.add_argument("--round", type=int, default=262144, help="engines turned at a time")
    ask.add_argument("--uses", type=int, default=2, help="times each engine is observed anew")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--device", default="cuda")
    return ask.parse_args()


class Rounds:
    """Turned engines, made in a thread of their own while the last ones are learnt from."""

    def __init__(self, size: int, seed: int, device: str) -> None:
        self.size, self.seed, self.device = size, seed, device
        self.waiting: queue.Queue[Any] = queue.Queue(1)
        self.made, self.kept, self.seconds, self.ended = 0, 0.0, 0.0, False
        threading.Thread(target=self._make, daemon=True).start()

    def _make(self) -> None:
        if self.device == "cpu":
            import numpy

            gen: Any = numpy.random.default_rng(self.seed)
            while not self.ended:
                self.waiting.put(fleet(self.size, gen, "cpu"))
            return
        import cupy

        torch.cuda.set_device(self.device)
        cupy.cuda.Device(torch.cuda.current_device()).use()
        gen = cupy.random.default_rng(self.seed)
        stream = torch.cuda.Stream()
        while not self.ended:
            began = time.time()
            with torch.cuda.stream(stream):
                made = fleet(self.size, gen, self.device)
            stream.synchronize()
            self.seconds += time.time() - began
            self.waiting.put(made)

    def take(self) -> dict[str, torch.Tensor]:
        """Return the next round."""
        engines, self.kept = self.waiting.get()
        self.made += len(engines["n"])
        return engines  # type: ignore[no-any-return]


class Workers:
    """The GPUs that share a batch: gradients are averaged over them."""

    def __init__(self) -> None:
        self.count, self.index = int(os.environ.get("WORLD_SIZE", "1")), int(os.environ.get("LOCAL_RANK", "0"))
        if self.count > 1:
            torch.cuda.set_device(self.index)
            torch.distributed.init_process_group("nccl")

    def step(self, parameters: list[torch.nn.Parameter]) -> torch.Tensor:
        """Make every worker's gradients their mean, no longer than 1, and return the length they had."""
        grads = [p.grad for p in parameters if p.grad is not None]
        flat = torch.cat([g.reshape(-1) for g in grads])
        if self.count > 1:
            torch.distributed.all_reduce(flat)
            flat /= self.count
        size = flat.norm()
        flat = torch.nan_to_num(flat * (1.0 / size).clamp(max=1.0), 0.0, 0.0, 0.0)  # a batch gone wrong teaches nothing
        torch._foreach_copy_(
            grads, [part.view_as(g) for part, g in zip(flat.split([g.numel() for g in grads]), grads, strict=True)]
        )
        return size

    def mean(self, value: float, device: str) -> float:
        """Return the mean over the workers."""
        if self.count == 1:
            return value
        flag = torch.tensor([value], device=device)
        torch.distributed.all_reduce(flag)
        return float(flag.item()) / self.count

    def ends(self, over: bool, device: str) -> bool:
        """Return whether any worker's time is over."""
        return self.mean(float(over), device) > 0


def learning_rate(step: int, total: int, top: float, warm_up: int = WARM_UP) -> float:
    """Return a cosine from `top` to nothing after a short warm-up."""
    return top * min(1.0, (step + 1) / warm_up) * 0.5 * (1 + math.cos(math.pi * min(1.0, step / total)))


def exported(path: Path) -> dict[str, torch.Tensor]:
    """Return the weights that `calibrate.py` wrote."""
    with np.load(path, allow_pickle=False) as kept:
        return {k: torch.from_numpy(kept[k].astype(np.float32)) for k in kept.files}


def main() -> None:
    """Learn for the steps that were asked for, and write a checkpoint that can be gone on from."""
    a = arguments()
    workers = Workers()
    device = a.device if a.device == "cpu" else f"cuda:{workers.index}"
    if device != "cpu":
        torch.cuda.set_device(device)
    torch.manual_seed(a.seed)
    torch.set_float32_matmul_precision("high")
    torch.backends.cudnn.benchmark = True
    net = Network().to(device)
    if a.start:
        net.load_state_dict(exported(a.start))
    if device != "cpu":
        net = net.to(memory_format=torch.channels_last)
    best = torch.optim.AdamW(net.parameters(), a.rate, weight_decay=1e-3, betas=(0.9, 0.98), fused=device != "cpu")
    done, sims, legs = 0, 0, []
    average = {k: v.clone() for k, v in net.state_dict().items()}
    if a.before:
        z = torch.load(a.before, map_location=device)
        net.load_state_dict(z["weights"])
        best.load_state_dict(z["optimiser"])
        average, done, sims, legs = z["average"], z["steps"], z["engines"], z["legs"]
        a.of = a.of or legs[-1]["of"]
    parameters = list(net.parameters())
    followers, leaders = list(average.values()), [v.detach() for v in net.state_dict().values()]
    seed = a.seed * 1000 + 10 * len(legs) + workers.index
    gen = torch.Generator(device)
    gen.manual_seed(seed)
    rounds = Rounds(a.round, seed, device)
    say = workers.index == 0
    if say:
        print(
            "parameters", sum(p.numel() for p in net.parameters()), "workers", workers.count, "seed", seed, flush=True
        )
    began, first, shown, skipped, lap = time.time(), done, time.time(), 0, 0.0
    parts, counted, over = torch.zeros(len(PARTS), device=device), 0, False
    while not over:
        engines = rounds.take()
        many = len(engines["n"])
        for _ in range(a.uses):
            order = torch.randperm(many, generator=gen, device=device)
            for s in range(0, many - a.batch + 1, a.batch):
                if s % (AT_ONCE * a.batch) == 0:
                    seen = observe({k: v[order[s : s + AT_ONCE * a.batch]] for k, v in engines.items()}, gen)
                part_of = slice(s % (AT_ONCE * a.batch), s % (AT_ONCE * a.batch) + a.batch)
                batch = {k: v[part_of] for k, v in seen.items()}
                chances = torch.rand(a.batch, RIVALS + 1, generator=gen, device=device)
                for group in best.param_groups:
                    group["lr"] = learning_rate(done, a.of or 10**6, a.rate, a.warm_up)
                with torch.autocast(device.split(":")[0], torch.bfloat16, enabled=device != "cpu"):
                    loss, part = losses(net, batch, chances)
                best.zero_grad(set_to_none=True)
                loss.backward()
                size = workers.step(parameters)
                best.step()
                keep = min(a.average, (done + 1) / (done + 10))
                torch._foreach_lerp_(followers, leaders, 1 - keep)
                done += 1
                if done % CHECKED == CHECKED - 1:
                    skipped = 0 if bool(torch.isfinite(size)) else skipped + 1
                    if skipped == GIVEN_UP:
                        bad = [
                            k
                            for k, p in net.named_parameters()
                            if p.grad is not None and not torch.isfinite(p.grad).all()
                        ]
                        sys.exit(f"the gradients are no numbers: {bad}, losses {part.tolist()}")
                if not a.of and done - first == PACED:
                    lap = time.time()
                if not a.of and done - first == 4 * PACED:
                    pace = workers.mean((time.time() - lap) / (3 * PACED), device)
                    a.of = done + int((a.fit - (time.time() - began)) / pace)
                parts += torch.nan_to_num(part)
                counted += 1
                if done % 20 == 0:
                    over = workers.ends(done - first >= a.steps or time.time() - began > a.seconds, device)
                if over:
                    break
            if over:
                break
        if say and (time.time() - shown > SHOWN_S or over):
            values = " ".join(f"{k} {v:.3f}" for k, v in zip(PARTS, (parts / max(counted, 1)).tolist(), strict=True))
            print(
                f"{time.time() - began:.0f} s, engines {rounds.made * workers.count / 1e6:.2f} M,"
                f" turned {rounds.kept:.2f},"
                f" steps {done} of {a.of} | {values} | making {rounds.seconds:.0f} s",
                flush=True,
            )
            parts.zero_()
            counted, shown = 0, time.time()
    rounds.ended = True
    legs = [
        *legs,
        {
            "seed": seed,
            "steps": done - first,
            "engines": rounds.made * workers.count,
            "workers": workers.count,
            "batch": a.batch,
            "rate": a.rate,
            "of": a.of,
            "uses": a.uses,
            "seconds": round(time.time() - began),
        },
    ]
    if say:
        torch.save(
            {
                "weights": net.state_dict(),
                "average": average,
                "optimiser": best.state_dict(),
                "steps": done,
                "engines": sims + rounds.made * workers.count,
                "legs": legs,
            },
            a.out,
        )
        print("done", done, legs, flush=True)
    os._exit(0)  # the thread that turns engines may be in the middle of a round


if __name__ == "__main__":
    main()
