"""Where the window stands, and what it says about it: a pure step from each piece of news to the next standing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING

from crankfold.acquire import Event, Happening
from crankfold.viewer.session.news import (
    Answered,
    Broke,
    Caught,
    Dismissed,
    Kept,
    LeftElsewhere,
    NoBoard,
    Opened,
    Over,
    Passing,
    Readying,
    Rescued,
    Resting,
    Retrying,
    Told,
    Unjudged,
    Unkept,
)
from crankfold.viewer.words import answer, event_text, say

if TYPE_CHECKING:
    from crankfold.viewer.session.judgement import Judged
    from crankfold.viewer.session.news import News

ENOUGH_S = 4.5  # at 150 revolutions a minute five and a half cycles; the answer hardly gets surer after that


class Phase(Enum):
    """What the window is about."""

    NO_BOARD = "no-board"
    READYING = "readying"
    READING = "reading"
    FILLING = "filling"
    ARMED = "armed"
    CRANKING = "cranking"
    ENOUGH = "enough"
    REST = "rest"
    JUDGING = "judging"
    EVEN = "even"
    NAMED = "uneven-named"
    UNNAMED = "uneven-unnamed"
    REFUSED = "refused"
    LOST = "lost"
    RESTING = "resting"
    OVER = "over"


RUNNING = (Phase.CRANKING, Phase.ENOUGH, Phase.REST)
"""While the starter runs."""
VERDICTS = (Phase.EVEN, Phase.NAMED, Phase.UNNAMED, Phase.REFUSED)


@dataclass(frozen=True, eq=False)
class Standing:
    """Everything the window knows.

    Parameters
    ----------
    stage
        Of the stream; CRANKING, ENOUGH and REST while the starter runs, else one of the phases before or after that.
    title
        The board's or file's.
    live
        Whether samples come in real time from a board.
    caught, answered
        Number of the last crank handed to the judge, and of the last one judged.
    judged
        The last answer, None before the first and as soon as a new crank begins.
    failure
        Why the last crank could not be judged at all.
    what, remedy
        Of the trouble with the board.
    trying
        Whether the board is being tried again now.
    cranked_s
        How long the starter has run.
    aside
        What happened that is worth a line, such as lost samples.
    """

    stage: Phase = Phase.READYING
    title: str = ""
    live: bool = True
    caught: int = 0
    answered: int = 0
    judged: Judged | None = None
    failure: str = ""
    what: str = ""
    remedy: str = ""
    trying: bool = False
    cranked_s: float = 0.0
    aside: str = ""

    @property
    def phase(self) -> Phase:
        """What the window is about: a lost board and a running starter come before an answer, that before the rest."""
        if self.stage in (Phase.LOST, Phase.NO_BOARD, *RUNNING):
            return self.stage
        if self.caught > self.answered:
            return Phase.JUDGING
        return verdict_phase(self)


def verdict_phase(now: Standing) -> Phase:
    """Return the phase of the last answer, or the stream's stage where there is none."""
    if now.failure:
        return Phase.REFUSED
    if now.judged is None:
        return now.stage
    result = now.judged.result
    if result.verdict == "none":
        return Phase.REFUSED
    if result.verdict == "even":
        return Phase.EVEN
    down = [c for c in result.cylinders if c.state in (("limit",) if result.verdict == "limit" else ("low", "dead"))]
    return Phase.NAMED if all(c.cylinder is not None for c in down) else Phase.UNNAMED


def after(now: Standing, news: News) -> Standing:
    """Return where the window stands after one piece of news."""
    match news:
        case Readying():
            return replace(now, stage=Phase.READYING if news.live else Phase.READING, live=news.live)
        case Opened():
            return replace(now, stage=Phase.FILLING if now.live else Phase.READING, title=news.title, what="",
                           remedy="", trying=False, aside="")
        case NoBoard():
            lost = now.stage is Phase.LOST
            return replace(now, stage=Phase.LOST if lost else Phase.NO_BOARD, what=now.what if lost else news.what,
                           remedy=now.remedy if lost else news.remedy, trying=False)
        case Broke():
            return replace(now, stage=Phase.LOST, what=news.what, remedy=news.remedy, trying=False)
        case Retrying():
            return replace(now, trying=True)
        case Passing():
            return _passing(now, news.cranked_s)
        case Caught():
            return replace(now, caught=news.number, judged=None, failure="")
        case Answered():
            return _answered(now, news.number, news.judged, "")
        case Unjudged():
            return _answered(now, news.number, None, news.text)
        case Dismissed():
            return replace(now, judged=None, failure="", aside="") if now.phase in VERDICTS else now
        case Told() | Kept() | Unkept() | Rescued() | LeftElsewhere():
            return replace(now, aside=aside_of(news) or now.aside)
        case Resting():
            return replace(now, stage=Phase.RESTING)
        case Over():
            return replace(now, stage=Phase.OVER)
        case Event():
            return _heard(now, news)
    return now


def aside_of(news: Told | Kept | Unkept | Rescued | LeftElsewhere) -> str:
    """Return a small line about files, empty where there is nothing to say."""
    match news:
        case Told():
            return news.text
        case Kept():
            return say("window.kept", path=str(news.paths[0].with_suffix("")))
        case Unkept():
            return sentence(news.what, news.remedy)
        case LeftElsewhere():
            return say("done.elsewhere", path=str(news.path), machine=news.machine)
        case Rescued():
            return say("done.recovered", path=str(news.path)) if news.path is not None else sentence(news.problem, "")


def _answered(now: Standing, number: int, judged: Judged | None, failure: str) -> Standing:
    """Take an answer, unless a later crank has been judged or begun meanwhile."""
    if number <= now.answered:
        return now
    if now.stage in RUNNING:
        return replace(now, answered=number)
    return replace(now, answered=number, judged=judged, failure=failure)


def _passing(now: Standing, cranked_s: float) -> Standing:
    if now.stage is Phase.CRANKING and cranked_s >= ENOUGH_S:
        return replace(now, stage=Phase.ENOUGH, cranked_s=cranked_s)
    return replace(now, cranked_s=cranked_s)


def _heard(now: Standing, event: Event) -> Standing:
    """Return the standing after an event of the recorder."""
    match event.what:
        case Happening.FILLING:
            return replace(now, stage=Phase.FILLING)
        case Happening.ARMED:
            return replace(now, stage=Phase.ARMED)
        case Happening.CRANKING:
            return replace(now, stage=Phase.CRANKING, cranked_s=0.0, judged=None, failure="", aside="")
        case Happening.REST:
            return replace(now, stage=Phase.REST)
        case Happening.PASSED if now.phase in (*VERDICTS, Phase.JUDGING):
            return now  # a crank was caught, so the probe's scale is no question; where it was kept matters more
        case (Happening.LOST | Happening.DROPPED | Happening.TORN | Happening.RATE | Happening.JOURNAL
              | Happening.PASSED | Happening.SILENT | Happening.RESUMED):
            return replace(now, aside=event_text(event))
    return now


@dataclass(frozen=True)
class Spoken:
    """What the window says.

    Parameters
    ----------
    headline
        One sentence, to be read from three metres.
    advice
        What to do, one or two sentences.
    aside
        A smaller line: how the stream stands while an answer is shown, and what else happened.
    alarm
        Whether the headline is in vermilion: a low cylinder, a lost board, a starter that must rest.
    """

    headline: str
    advice: str = ""
    aside: str = ""
    alarm: bool = False


def spoken(now: Standing) -> Spoken:
    """Return the sentences for a standing."""
    phase = now.phase
    if phase in VERDICTS:
        return _verdict(now, phase)
    if phase is Phase.NO_BOARD:
        told = sentence(now.what, now.remedy)
        return Spoken(say("window.headline.no-board"), told, _again(now), alarm=True)
    if phase is Phase.LOST:
        last = say("window.last", headline=answer(now.judged.result).headline) if now.judged is not None else ""
        return Spoken(say("window.headline.lost"), sentence(now.what, now.remedy), f"{_again(now)} {last}".strip(),
                      alarm=True)
    headline = say(f"window.headline.{phase.value}")
    aside = now.aside or (say("window.on_board", title=now.title) if now.title else "")
    return Spoken(headline, say(f"window.advice.{phase.value}"), aside, alarm=phase is Phase.REST)


def sentence(what: str, remedy: str) -> str:
    """Return an error's two clauses as two sentences."""
    return " ".join(f"{part[:1].upper()}{part[1:].rstrip('.')}." for part in (what, remedy) if part)


def _again(now: Standing) -> str:
    return say("window.trying" if now.trying else "window.tries_again")


def _verdict(now: Standing, phase: Phase) -> Spoken:
    stage = say(f"window.then.{now.stage.value}") if now.live else say("window.then.file", title=now.title)
    aside = f"{stage} {now.aside}".strip()
    if now.judged is None:
        return Spoken(say("window.headline.unjudged"), sentence(now.failure, ""), aside)
    told = answer(now.judged.result)
    advice = told.reasons if phase is Phase.REFUSED else told.next
    return Spoken(told.headline, advice[0] if advice else "", aside, alarm=phase in (Phase.NAMED, Phase.UNNAMED))
