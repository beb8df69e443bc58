"""What the buttons beside the test page do: start, test, open, practise, and the job that a test belongs to."""

from __future__ import annotations

import threading
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, Signal

from crankfold.acquire import Job
from crankfold.analysis import CrankfoldError, InputError
from crankfold.viewer.session import sentence, told_about
from crankfold.viewer.window.asking import NOTHING, NoEngineError, options_of, wanted_of
from crankfold.viewer.window.cam_lesson import CamLesson
from crankfold.viewer.window.choosing_file import FileDialogs
from crankfold.viewer.window.pages import ChoosingPage, FormPage, Option
from crankfold.viewer.window.phone import Phone
from crankfold.viewer.window.records import Records
from crankfold.viewer.window.set_up import Step
from crankfold.viewer.window.set_up_view import SetUpView
from crankfold.viewer.window.training import Training
from crankfold.viewer.words import say, worded

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from crankfold.acquire import Plugins, Shelf
    from crankfold.viewer.session import SessionPlan
    from crankfold.viewer.window.main_window import Window

START = ("test", "open", "book", "practise", "set_up")
"""What the start page offers."""
JOB_FIELDS = ("plate", "customer", "mileage", "technician", "temperature", "notes")
MOST_CARDS = 11  # saved engines or rigs on one page; the others are found in the set-up


class Errand(QObject):
    """One piece of work; `done` or `failed` comes in the window's own thread."""

    done = Signal(object)
    failed = Signal(object)
    _ended = Signal(object, object)

    def __init__(self, parent: QObject, work: Callable[[], Any]) -> None:
        super().__init__(parent)
        self._work = work
        self._ended.connect(self._tell)
        self._thread = threading.Thread(target=self._run, name="errand", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def _run(self) -> None:
        try:
            found = self._work()
        except Exception as error:
            self._say(None, error)
        else:
            self._say(found, None)

    def _say(self, found: object, error: Exception | None) -> None:
        try:
            self._ended.emit(found, error)
        except RuntimeError:  # the window was closed meanwhile
            return

    def _tell(self, found: object, error: Exception | None) -> None:
        if error is None:
            self.done.emit(found)
        else:
            self.failed.emit(error)
        self.deleteLater()


class Desk(QObject):
    """Leads to the pages, and from them to what is watched.

    Parameters
    ----------
    window
        Whose buttons they are.
    plugins, shelf
        Where boards, readers, rigs and engine cards come from.
    folder
        Where captures are kept, None: nowhere until somebody saves.
    options
        Of the command, for files that are opened.
    """

    def __init__(self, window: Window, plugins: Plugins, shelf: Shelf, folder: Path | None = None,
                 options: Mapping[str, Any] = NOTHING) -> None:
        super().__init__(window)
        self.window, self.plugins, self.shelf, self.folder, self.options = window, plugins, shelf, folder, options
        self.job = Job()
        self.start, self.choosing, self.form = ChoosingPage(window), ChoosingPage(window), FormPage(window)
        self.set_up, self.engine_of = SetUpView(shelf, plugins), SetUpView(shelf, plugins)
        self.files = FileDialogs(window)
        self.records, self.training, self.phone = Records(self), Training(self), Phone(self)
        self.cam_lesson = CamLesson(self)
        self._then: Callable[[Job], object] = lambda job: None
        self._engine = ""
        window.use_set_up(self.set_up)
        window.asked.connect(self.act)
        window.setAcceptDrops(True)
        window.dropped.connect(self.open_file)
        self.set_up.kept.connect(self.watch_cards)
        self.engine_of.ask(Step.ENGINE, Step.SYNC)
        self.engine_of.left.connect(window.back)
        self.engine_of.answered.connect(self._engine_answered)
        self._asked_of: Path | None = None

    def act(self, action: str) -> None:
        """Do what a button asks for."""
        actions: dict[str, Callable[[], object]] = {
            "start": self.show_start, "test": self._test, "open": self._open, "job": self._job_page,
            "next": self._job_given, **self.records.actions, **self.training.actions,
            **self.phone.actions, **self.cam_lesson.actions}
        name, _, rest = action.partition(":")
        if name == "engine":
            self._rig_page(rest)
        elif name == "rig":
            self.watch_cards(rest, self._engine)
        elif not self.cam_lesson.chosen(name, rest) and action in actions:
            actions[action]()

    def show_start(self) -> None:
        """Let go of whatever is watched, and show the start page."""
        self.window.let_go()
        self.window.pile.clear()
        self.start.tell(say("window.start.heading"), say("window.start.advice"))
        self.start.choose(tuple(option("start", action) for action in START), "phone", "paper", "full_screen", "quit")
        self.window.pile.push(self.start)

    def errand(self, heading: str, work: Callable[[], Any], done: Callable[[Any], object]) -> None:
        """Do something that takes a moment, say so meanwhile, and show what went wrong."""
        top = self.window.pile.top
        if top is not None:
            top.tell(top.head.spoken.headline, heading, top.head.spoken.aside)
        errand = Errand(self, work)
        errand.done.connect(done)
        errand.failed.connect(self.fail)
        errand.start()

    def fail(self, error: Exception) -> None:
        """Say what went wrong on the page that is seen."""
        remedy = "" if isinstance(error, CrankfoldError) else say("window.own_fault")
        self.tell_here(sentence(worded(error), remedy), alarm=True)

    def tell_here(self, text: str, *, alarm: bool = False) -> None:
        """Say something on the page that is seen."""
        top = self.window.pile.top
        if top is None:
            self.window.page.show_over(say("window.told_heading"), (text,))
        else:
            top.tell(top.head.spoken.headline, text, top.head.spoken.aside, alarm=alarm)

    def _test(self) -> None:
        self.job = Job(shop=self.job.shop, technician=self.job.technician)  # another engine is another job
        engines = self.shelf.engines()
        if not engines or not self.shelf.rigs():
            self.window.begin_set_up()
            return
        self.choosing.tell(say("window.set_up.heading_engine"))
        self._cards("engine", engines)

    def _rig_page(self, engine: str) -> None:
        self._engine = engine
        self.choosing.tell(say("window.start.which_rig"), engine)
        self._cards("rig", self.shelf.rigs())

    def _cards(self, kind: str, names: tuple[str, ...]) -> None:
        """Offer what is saved, and the set-up for anything else."""
        saved = tuple(Option(f"{kind}:{name}", name, self._described(kind, name)) for name in names[:MOST_CARDS])
        self.choosing.choose((*saved, option("start", "set_up")))
        if self.window.pile.top is not self.choosing:
            self.window.pile.push(self.choosing)

    def _described(self, kind: str, name: str) -> str:
        try:
            return self.shelf.engine(name).firing_order if kind == "engine" else self.shelf.rig(name).board
        except CrankfoldError as error:
            return sentence(worded(error), "")

    def watch_cards(self, rig: str, engine: str) -> None:
        """Ask whose engine it is, and then watch a saved rig with a saved engine card."""
        try:
            plan, checks = wanted_of(None, None, {}, {**NOTHING, "rig": rig, "engine": engine}, self.plugins,
                                     self.folder)
        except CrankfoldError as error:
            self.fail(error)
            return
        if plan is not None:
            self._ask_job(partial(self._begin, plan, checks))

    def _begin(self, plan: SessionPlan, checks: tuple[str, ...], job: Job) -> None:
        self.window.begin(replace(plan, job=job), checks)

    def _ask_job(self, then: Callable[[Job], object]) -> None:
        self._then = then
        self.form.ask("window.job", {name: getattr(self.job, name) for name in JOB_FIELDS})
        self.form.tell(say("window.job.heading"), say("window.job.advice"))
        self.window.pile.push(self.form)

    def _job_page(self) -> None:
        judged = self.window.now.judged
        known = told_about(judged.capture) if judged is not None and self.job == Job() else None
        if known is not None:
            self.job = known.job  # what an opened capture says of itself is what is to be corrected
        self._ask_job(self._change_job)

    def _change_job(self, job: Job) -> None:
        self.window.use_job(job)
        self.window.back()

    def _job_given(self) -> None:
        try:
            self.job = replace(self.job, **self.form.values())
        except InputError as error:
            self.fail(error)
            return
        self._then(self.job)

    def _open(self) -> None:
        self.files.ask_file(self.open_file)

    def open_file(self, path: Path) -> None:
        """Open a recording; ask for its engine where nothing says it."""
        self._asked_of, self.job = path, Job()
        if self.window.pile.top is None:
            self.show_start()
        work = partial(wanted_of, path, None, {}, self.options, self.plugins, self.folder)
        errand = Errand(self, work)
        errand.done.connect(self._opened)
        errand.failed.connect(self._unopened)
        self.tell_here(say("window.start.opening", name=path.name))
        errand.start()

    def _opened(self, wanted: tuple[SessionPlan, tuple[str, ...]]) -> None:
        self.window.begin(*wanted)

    def _unopened(self, error: Exception) -> None:
        if isinstance(error, NoEngineError):
            self.window.pile.push(self.engine_of)
        else:
            self.fail(error)

    def _engine_answered(self, draft: Any) -> None:
        path, options = self._asked_of, options_of(draft)
        if path is not None:
            work = partial(wanted_of, path, None, {}, options, self.plugins, self.folder)
            self.errand(say("window.start.opening", name=path.name), work, self._opened)


def option(section: str, action: str) -> Option:
    """Return a card whose words are in a section of the wording."""
    return Option(action, say(f"window.{section}.{action}"), say(f"window.{section}.{action}_text"))
