"""``crankfold check`` on good and bad virtual rigs, and the contract on a board without a test runner."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

CRANKFOLD = Path(sys.executable).parent / "crankfold"


def check(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([CRANKFOLD, "check", "--seconds", "2.5", *arguments], capture_output=True, text=True,
                          check=False)


@pytest.fixture
def check_here(in_process: Callable[..., subprocess.CompletedProcess[str]],
               bench_clock: object) -> Callable[..., subprocess.CompletedProcess[str]]:
    """The same in this process, by the clock of the bench: nobody waits for the seconds."""
    return lambda *arguments: in_process("check", "--seconds", "2.5", *arguments)


def test_a_good_rig() -> None:
    done = check("--from", "virtual:quiet=60")
    assert (done.returncode, done.stderr) == (0, "")
    assert "change:" not in done.stdout
    assert done.stdout.strip().endswith("The rig is ready to use.")


@pytest.mark.parametrize(("settings", "says"), [
    ("rate-error=5", "% off"),
    ("lose=200@1", "200 of"),
    ("unit=V,clamp=1,bits=8", "One step of the converter is"),
    ("noise=15", "is too high"),
])
def test_a_bad_rig_says_what_to_change(check_here, settings: str, says: str) -> None:
    clamp = ("--clamp", "1mV/A") if "unit=V" in settings else ()  # otherwise the virtual board gives amperes itself
    done = check_here("--from", f"virtual:quiet=60,{settings}", *clamp)
    assert (done.returncode, done.stderr) == (3, "")
    changes = [line for line in done.stdout.splitlines() if line.strip().startswith("change:")]
    assert len(changes) >= 1 and any(says in line for line in changes), done.stdout


@pytest.mark.parametrize("arguments", [(), ("--from", "nosuch"), ("--from", "virtual:quiet=60,unplug=1"),
                                       ("--from", "virtual", "--clamp", "0mV/A"), ("--rig", "nosuchrig")])
def test_what_cannot_be_checked_is_one_line(check_here, arguments: tuple[str, ...]) -> None:
    done = check_here(*arguments)
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert "Traceback" not in done.stderr
