"""Two programs that keep captures in one folder, at random: killed, short of disk, their writes cut, interleaved.

Whatever happens, each sample that a program was told is written is in some file of the folder in the end, once, under
a name of its own; and no program takes up what another one that runs is at.
"""

from __future__ import annotations

import errno
import os
import shutil
import sys
import tempfile
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from crankfold.acquire import (
    JournalWriter,
    SourceInfo,
    State,
    capture_image,
    left_behind,
    read_stored,
    recover,
    save_capture,
    stem_of,
    take_up,
    write_named,
)
from crankfold.acquire.errors import AcquireError, SaveError
from crankfold.acquire.stream import journal as journal_module
from crankfold.acquire.stream import leftovers, owner
from crankfold.acquire.stream.leftovers import new_journal
from crankfold.analysis import Channel

RATE = 1000.0
NOON = datetime(2031, 5, 4, 12, 0, 0, tzinfo=UTC)
SEED_WIDTH = 20  # samples of one crank have values of their own, so that it can be told whose they are


class Disk:
    """What the system does with a program's writes."""

    def __init__(self) -> None:
        self.room: int | None = None  # bytes until it is full
        self.most = 1 << 30  # bytes taken of one write


class OnDisk:
    """A journal's file as the disk lets it be written."""

    def __init__(self, file: Any, disk: Disk) -> None:
        self._file, self._disk = file, disk

    def write(self, data: Any) -> int:
        size = min(len(data), self._disk.most)
        if self._disk.room is not None:
            size = min(size, self._disk.room)
            self._disk.room -= size
            if not size:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return int(self._file.write(data[:size]))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@dataclass
class Crank:
    """One crank of one program, as the program knows it."""

    journal: JournalWriter
    value: int
    first: int
    sent: int = 0
    whole: bool = False
    kept: bool = False


@dataclass
class Program:
    """A program that is simulated: its owner's name, and the cranks that it has under way."""

    process: int
    cranks: list[Crank] = field(default_factory=list)
    killed: bool = False

    @property
    def owner(self) -> owner.Owner:
        return owner.Owner("bench00000000", "0000abcd", 7, self.process, 1)


class Captures(RuleBasedStateMachine):
    """Programs 1 and 2 on one machine; when one is killed, another with a new number starts in its place."""

    locks = True

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="crankfold-folder-"))
        self.disk = Disk()
        self.now = NOON
        self.count, self.value = 2, 0
        self.programs = [Program(1), Program(2)]
        self.running = {1, 2}
        self.written: dict[int, tuple[int, int]] = {}  # of each crank's value: samples acknowledged, and sent at all
        self.patch = pytest.MonkeyPatch()
        self.patch.setattr(owner, "_runs", lambda process, born: process in self.running)
        if not self.locks:
            self.patch.setitem(sys.modules, "fcntl", None)

    def teardown(self) -> None:
        for program in self.programs:
            self._kill(program)
        self.programs = [self._fresh()]
        self.disk.room, self.disk.most = None, 1 << 30
        self._as(self.programs[0])
        for left in left_behind(self.folder):
            self._rescue(self.programs[0], left)
        for crank in self.programs[0].cranks:
            crank.journal.close()
        self._check_all()
        self.patch.undo()
        shutil.rmtree(self.folder)

    def _fresh(self) -> Program:
        self.count += 1
        self.running.add(self.count)
        return Program(self.count)

    def _as(self, program: Program) -> None:
        """Be that program: what this process calls itself, and which files it holds."""
        self.patch.setattr(owner, "this_program", lambda: program.owner)
        self.patch.setattr(journal_module, "this_program", lambda: program.owner)
        self.patch.setattr(leftovers, "this_program", lambda: program.owner)
        mine = {str(crank.journal.path) for crank in program.cranks}
        self.patch.setattr(leftovers, "held_here", lambda path: str(path) in mine)

    def _kill(self, program: Program) -> None:
        """End a program as the system does: its files are closed as they are, its locks are gone."""
        self.running.discard(program.process)
        for crank in program.cranks:
            crank.journal._waiting.clear()
            crank.journal._file.close()
        program.cranks.clear()

    @rule(which=st.integers(0, 1), about=st.booleans())
    def crank(self, which: int, about: bool) -> None:
        """A starter turns: a journal is begun. Often in the same second as the other program's."""
        program = self.programs[which]
        self._as(program)
        self.value += 1
        info = SourceInfo(RATE, (Channel("current", "A", code_dtype="int32"),), np.dtype(np.int32), "a board")
        try:
            journal = new_journal(self.folder, self.now, info, rate_hz=RATE, trigger_index=self.value * 1000 + 5,
                                  onset_utc=self.now, about={"engine": {"firing_order": "1-2"}} if about else {})
        except SaveError:
            return
        journal._file = OnDisk(journal._file, self.disk)
        program.cranks.append(Crank(journal, self.value, self.value * 1000))
        self.written[self.value] = (0, 0)

    @precondition(lambda self: any(not c.whole for p in self.programs for c in p.cranks))
    @rule(which=st.integers(0, 1), at=st.integers(0, 3), room=st.integers(0, 60))
    def full_for_a_moment(self, which: int, at: int, room: int) -> None:
        """The disk has no room in the midst of a record, and then it has."""
        self.disk.room = room
        for _ in range(2):
            self.samples(which, at, 10)
        self.disk.room = None
        for _ in range(2):
            self.samples(which, at, 5)

    @precondition(lambda self: any(not c.whole for p in self.programs for c in p.cranks))
    @rule(which=st.integers(0, 1), at=st.integers(0, 3), samples=st.integers(1, SEED_WIDTH))
    def samples_come(self, which: int, at: int, samples: int) -> None:
        """Samples come in."""
        self.samples(which, at, samples)

    def samples(self, which: int, at: int, samples: int) -> None:
        program = self.programs[which]
        under_way = [crank for crank in program.cranks if not crank.whole]
        if not under_way:
            return
        crank = under_way[at % len(under_way)]
        codes = np.full((samples, 1), crank.value, np.int32)
        first = crank.first + crank.sent
        crank.sent += samples
        with suppress(SaveError):
            crank.journal.append(first, codes)
        self._note(crank)

    def _note(self, crank: Crank) -> None:
        acknowledged = (crank.journal.written_index or crank.first) - crank.first
        self.written[crank.value] = acknowledged, crank.sent

    @rule(which=st.integers(0, 1), at=st.integers(0, 3))
    def end_of_crank(self, which: int, at: int) -> None:
        """The key is let go of."""
        under_way = [crank for crank in self.programs[which].cranks if not crank.whole and crank.sent]
        if under_way:
            crank = under_way[at % len(under_way)]
            crank.whole = True
            with suppress(SaveError):
                crank.journal.finish(crank.first, crank.first + crank.sent, rate_hz=RATE, notes={})
            self._note(crank)

    @rule(which=st.integers(0, 1), at=st.integers(0, 3), noted=st.booleans())
    def save(self, which: int, at: int, noted: bool) -> None:
        """The whole capture is written to a file of its own; the program may be killed before it notes that."""
        waiting = [crank for crank in self.programs[which].cranks if crank.whole and not crank.kept]
        if not waiting:
            return
        crank = waiting[at % len(waiting)]
        self._as(self.programs[which])
        path = self.folder / f"{stem_of(crank.journal.path)}.h5"
        assert crank.journal.ours, "another program took up what this one is at"
        save_capture(recovered_or_made(crank), path)
        if noted:
            crank.kept = True
            with suppress(SaveError):
                crank.journal.keep(path.name)

    @rule(which=st.integers(0, 1), at=st.integers(0, 3))
    def analysed(self, which: int, at: int) -> None:
        """Its result is in its file: the journal goes."""
        kept = [crank for crank in self.programs[which].cranks if crank.kept]
        if kept:
            crank = kept[at % len(kept)]
            crank.journal.remove()
            self.programs[which].cranks.remove(crank)

    @rule(which=st.integers(0, 1))
    def kill(self, which: int) -> None:
        """A program is killed, and another starts in its place some time later."""
        self._kill(self.programs[which])
        self.programs[which] = self._fresh()

    @rule(which=st.integers(0, 1))
    def look_for_what_was_left(self, which: int) -> None:
        """A program starts, or looks again."""
        program = self.programs[which]
        other = {str(crank.journal.path) for crank in self.programs[1 - which].cranks}
        self._as(program)
        for left in left_behind(self.folder):
            assert str(left.path) not in other, "it takes up what the other one is at"
            self._rescue(program, left)

    def _rescue(self, program: Program, left: Any) -> None:
        try:
            taken = take_up(left)
        except AcquireError:
            return
        if taken is None:
            return
        path = self.folder / f"{stem_of(taken.journal.path)}.h5"
        if taken.recovered.state is not State.KEPT:
            save_capture(taken.recovered.capture, path)
        value = int(taken.recovered.capture.samples[0, 0])
        first = value * 1000
        taken.journal._file = OnDisk(taken.journal._file, self.disk)
        program.cranks.append(Crank(taken.journal, value, first, self.written[value][1], whole=True, kept=True))

    @rule(which=st.integers(0, 1))
    def without_a_journal(self, which: int) -> None:
        """A capture that has no journal is kept: a whole recording, or one whose journal could not be begun."""
        self._as(self.programs[which])
        self.value += 1
        crank = Crank(None, self.value, 0, SEED_WIDTH)  # type: ignore[arg-type]
        write_named(self.folder, self.now, ".h5", capture_image(recovered_or_made(crank)))
        self.written[self.value] = SEED_WIDTH, SEED_WIDTH

    @rule(room=st.one_of(st.none(), st.integers(0, 400)), most=st.sampled_from([1, 3, 50, 1 << 30]))
    def disk_changes(self, room: int | None, most: int) -> None:
        """The disk fills up, or has room again; writes are cut short, or not."""
        self.disk.room, self.disk.most = room, most

    @rule(seconds=st.integers(0, 2))
    def time_passes(self, seconds: int) -> None:
        self.now += timedelta(seconds=seconds)

    @rule()
    def clock_is_set_back(self) -> None:
        self.now = NOON

    @invariant()
    def everything_acknowledged_is_there(self) -> None:
        self._check_all()

    def _check_all(self) -> None:
        """Look for each acknowledged sample in the files, as a program that starts would read them."""
        found: dict[int, int] = {}
        for path in sorted(self.folder.iterdir()):
            if path.suffix == ".journal":
                with suppress(AcquireError):
                    note_found(found, recover(path).capture.samples)
            elif path.suffix == ".h5":
                note_found(found, in_this_process(path))
            else:
                raise AssertionError(f"{path.name} was left")
        for value, (acknowledged, sent) in self.written.items():
            assert acknowledged <= found.get(value, 0) <= sent, (value, acknowledged, found.get(value), sent)


def note_found(found: dict[int, int], samples: Any) -> None:
    """Note how many samples of a crank there are; one file holds those of one crank only."""
    values = samples[np.isfinite(samples)]
    assert len(np.unique(values)) == 1, "samples of two cranks in one file"
    value = int(values[0])
    found[value] = max(found.get(value, 0), len(values))


def recovered_or_made(crank: Crank) -> Any:
    from crankfold.analysis import Capture

    return Capture.from_arrays(np.full(crank.sent, float(crank.value)), rate_hz=RATE)


def in_this_process(path: Path) -> Any:
    """Return a capture file's samples, read here: one by one in a process of its own it would take for ever."""
    import h5py

    with h5py.File(path, "r") as file:
        data = file["channels/current"]
        return (data[()] * data.attrs["scale"] + data.attrs["offset"])[:, None]


class CapturesWithoutLocks(Captures):
    """The same on a network folder without file locks."""

    locks = False


@pytest.mark.parametrize("kind", [Captures, CapturesWithoutLocks])
def test_every_sample_that_was_acknowledged_is_there(kind: Any) -> None:
    run_state_machine_as_test(kind, settings=settings(
        max_examples=25, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)))


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("kind", [Captures, CapturesWithoutLocks])
def test_every_sample_that_was_acknowledged_is_there_long(kind: Any) -> None:
    run_state_machine_as_test(kind, settings=settings(
        max_examples=1500, stateful_step_count=80, deadline=None, suppress_health_check=list(HealthCheck)))


def test_files_read_here_and_by_the_program_are_the_same(tmp_path: Path) -> None:
    save_capture(recovered_or_made(Crank(None, 3, 0, 10)), tmp_path / "a.h5")  # type: ignore[arg-type]
    np.testing.assert_array_equal(in_this_process(tmp_path / "a.h5"), read_stored(tmp_path / "a.h5").capture().samples)
