"""What the window says in each state, and how it gets from one to the next; no Qt here."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from crankfold.acquire import Event, Happening
from crankfold.analysis import Capture, Result
from crankfold.viewer.picture import measures
from crankfold.viewer.session import ENOUGH_S, NOTES, Judged, Phase, Standing, after, spoken, told_by_tone, tone_wav
from crankfold.viewer.session import news as n
from crankfold.viewer.window.head import ADVICE, LEAST_ADVICE, headline_lines
from crankfold.viewer.window.keys import FEW, buttons_for, everything_else, keys_for
from crankfold.viewer.window.placing import MARGIN, WIDE
from crankfold.viewer.words import say
from crankfold.viewer.words.catalogue import sentences

ROOM = WIDE - 2 * MARGIN


def event(what: Happening, **facts: Any) -> Event:
    return Event(what, 0, 0.0, **facts)


def told(*news: n.News, now: Standing | None = None) -> Standing:
    standing = now or Standing()
    for piece in news:
        standing = after(standing, piece)
    return standing


READY = (n.Readying(live=True), n.Opened("test board"), event(Happening.FILLING), event(Happening.ARMED))


@pytest.fixture
def uneven(dead_three: Capture, uneven_result: Result, question: Any) -> Judged:
    return Judged(dead_three, uneven_result, question(sync="waste-spark:1"))


@pytest.fixture
def even(healthy: Capture, even_result: Result, question: Any) -> Judged:
    return Judged(healthy, even_result, question())


def test_a_crank_goes_from_armed_to_the_verdict_and_arms_again(uneven: Judged, even: Judged) -> None:
    steps: tuple[n.News, ...] = (
        *READY, event(Happening.CRANKING), n.Passing(1.0), n.Passing(ENOUGH_S), n.Caught(1),
        event(Happening.ARMED), n.Answered(1, uneven), event(Happening.CRANKING), n.Caught(2),
        event(Happening.ARMED), n.Answered(2, even))
    phases, now = [], Standing()
    for piece in steps:
        now = after(now, piece)
        phases.append(now.phase)
    assert phases == [
        Phase.READYING, Phase.FILLING, Phase.FILLING, Phase.ARMED, Phase.CRANKING, Phase.CRANKING, Phase.ENOUGH,
        Phase.ENOUGH, Phase.JUDGING, Phase.NAMED, Phase.CRANKING, Phase.CRANKING, Phase.JUDGING, Phase.EVEN]


def test_a_verdict_says_the_cylinder_what_to_do_and_that_it_is_armed_again(uneven: Judged) -> None:
    said = spoken(told(*READY, event(Happening.CRANKING), n.Caught(1), event(Happening.ARMED), n.Answered(1, uneven)))
    assert said.headline == "Cylinder 3 has no compression."
    assert said.alarm
    assert "leak-down" in said.advice
    assert said.aside == say("window.then.armed")


def test_a_new_crank_takes_the_old_answer_away_at_once(uneven: Judged) -> None:
    now = told(*READY, event(Happening.CRANKING), n.Caught(1), event(Happening.ARMED), n.Answered(1, uneven),
               event(Happening.CRANKING))
    assert now.judged is None
    assert "3" not in spoken(now).headline


def test_an_answer_that_comes_while_the_next_crank_runs_is_not_shown_as_that_ones(uneven: Judged) -> None:
    now = told(*READY, event(Happening.CRANKING), n.Caught(1), event(Happening.ARMED), event(Happening.CRANKING),
               n.Answered(1, uneven))
    assert now.phase is Phase.CRANKING
    now = told(n.Caught(2), event(Happening.ARMED), now=now)
    assert now.phase is Phase.JUDGING


def test_a_late_answer_of_an_earlier_crank_does_not_replace_a_newer_one(uneven: Judged, even: Judged) -> None:
    now = told(*READY, n.Caught(1), n.Caught(2), n.Answered(2, even), n.Answered(1, uneven))
    assert now.phase is Phase.EVEN


def test_a_lost_board_comes_before_an_answer_and_says_what_to_do(uneven: Judged) -> None:
    now = told(*READY, event(Happening.CRANKING), n.Caught(1), n.Broke("the board was unplugged", "plug it in again"),
               n.Answered(1, uneven))
    said = spoken(now)
    assert now.phase is Phase.LOST
    assert said.alarm
    assert said.advice == "The board was unplugged. Plug it in again."
    assert "Cylinder 3" in said.aside
    assert "R" in said.aside


def test_a_lost_board_that_cannot_be_opened_yet_is_still_the_lost_board() -> None:
    now = told(*READY, n.Broke("it was unplugged", "plug it in"), n.Retrying())
    assert say("window.trying") in spoken(now).aside
    now = told(n.NoBoard("no such port", "there are none"), now=now)
    assert now.phase is Phase.LOST
    assert spoken(now).advice.startswith("It was unplugged")
    assert told(n.Opened("test board"), now=now).phase is Phase.FILLING


def test_no_board_at_the_start() -> None:
    now = told(n.Readying(live=True), n.NoBoard("there is no board x", "plug one in"))
    assert now.phase is Phase.NO_BOARD
    assert spoken(now).advice == "There is no board x. Plug one in."


def test_a_starter_that_runs_too_long_is_to_rest() -> None:
    now = told(*READY, event(Happening.CRANKING), event(Happening.REST))
    assert now.phase is Phase.REST
    assert spoken(now).alarm


def test_a_question_that_does_not_fit_is_said_and_not_judged_for_ever() -> None:
    now = told(*READY, n.Caught(1), n.Unjudged(1, "the probe expects volts; give another"))
    assert now.phase is Phase.REFUSED
    assert spoken(now).advice == "The probe expects volts; give another."


def test_samples_lost_are_said() -> None:
    assert "200" in spoken(told(*READY, event(Happening.LOST, count=200))).aside
    assert "unknown number" in spoken(told(*READY, event(Happening.LOST, count=-1))).aside


def test_a_short_draw_after_a_crank_asks_nothing_about_the_probe(uneven: Judged) -> None:
    """What ignition and pump draw once the starter is off; with nothing caught yet it may be a clamp's wrong scale."""
    draw = event(Happening.PASSED, lasted_s=1.5, mean=10.0, unit="A")
    assert "probe" in spoken(told(*READY, event(Happening.ARMED), draw)).aside
    for news in ((draw, n.Answered(1, uneven)), (n.Answered(1, uneven), draw)):
        assert "probe" not in spoken(told(*READY, n.Caught(1), *news)).aside


def test_an_answer_can_be_put_away(uneven: Judged) -> None:
    now = told(*READY, n.Caught(1), n.Answered(1, uneven), n.Dismissed())
    assert now.phase is Phase.ARMED


def test_a_stream_that_ends_without_a_crank_says_so() -> None:
    assert told(*READY, n.Over()).phase is Phase.OVER


def test_every_phase_has_words_and_a_few_buttons(uneven: Judged, even: Judged) -> None:
    standings = [Standing(stage=phase, what="it is gone", remedy="plug it in") for phase in Phase
                 if phase not in (Phase.EVEN, Phase.NAMED, Phase.UNNAMED, Phase.REFUSED)]
    standings += [told(*READY, n.Over(), n.Caught(1), n.Answered(1, judged)) for judged in (uneven, even)]
    for now in standings:
        assert spoken(now).headline
        buttons = buttons_for(now, checking=False, compares=True)
        assert 1 <= len(buttons) <= FEW, now.phase
        assert buttons[-1] == "more"
        behind = {option.action for option in everything_else(now, compares=True)}
        assert behind >= {"start", "open", "quit", *buttons} - {"more"}, "everything is behind the last button"


def test_a_card_over_the_page_and_a_checklist_have_buttons_of_their_own() -> None:
    assert buttons_for(Standing(), checking=False, compares=False, covered=True) == ("close",)
    assert buttons_for(Standing(), checking=True, compares=False, waits=True) == ("tick", "untick", "start")
    assert buttons_for(Standing(), checking=True, compares=False)[-1] == "close"


def test_only_keys_that_do_something_are_offered(uneven: Judged, healthy: Capture, even_result: Result,
                                                 question: Any) -> None:
    def actions(*news: n.News) -> set[str]:
        return {keys.action for keys in keys_for(told(*READY, n.Caught(1), *news), checking=False)}

    looking = {"pan", "zoom", "mark", "details", "clear"}
    refused = Judged(healthy, replace(even_result, verdict="none", cylinders=()), question())
    assert actions(n.Answered(1, uneven)) >= {"dismiss", "next_cylinder", *looking}
    assert actions(n.Answered(1, refused)) & {"dismiss", "next_cylinder", *looking} == {"dismiss", *looking}
    assert actions(n.Unjudged(1, "no current")) & {"dismiss", "next_cylinder", *looking} == {"dismiss"}


def test_headlines_fit_the_smallest_window_in_large_type() -> None:
    for key, text in sentences().items():
        if key.startswith(("headline.", "window.headline.")):
            filled = text.replace("{names}", "cylinder 2, cylinder 3, cylinder 5 and cylinder 6").replace(
                "{cylinders}", "2, 3 and 5").replace("{relative_percent}", "49")
            for line, _, size in headline_lines(filled, ROOM):
                assert measures.width_of(line, size, "serif") <= ROOM + 0.1, key
                assert not line.endswith(measures.ELLIPSIS)
                assert size >= 40.0


def test_advice_fits_two_lines() -> None:
    for key, text in sentences().items():
        if key.startswith(("window.advice.", "window.advise.", "reason.", "next.", "pattern.")):
            size = measures.size_to_fit(text, ADVICE, LEAST_ADVICE, 1.9 * ROOM)
            lines = measures.wrap(text, size, ROOM, 2)
            assert not lines[-1].endswith(measures.ELLIPSIS), key


def test_tones_are_heard_when_something_changes_and_only_then() -> None:
    filling, armed, judging = Standing(stage=Phase.FILLING), Standing(stage=Phase.ARMED), told(*READY, n.Caught(1))
    assert told_by_tone(filling, armed) is Phase.ARMED
    assert told_by_tone(armed, armed) is None
    assert told_by_tone(armed, judging) is None


def test_armed_again_is_heard_beside_a_verdict(uneven: Judged) -> None:
    answered = told(*READY, n.Caught(1), event(Happening.FILLING), n.Answered(1, uneven))
    again = told(event(Happening.ARMED), now=answered)
    assert again.phase is Phase.NAMED
    assert told_by_tone(answered, again) is Phase.ARMED
    assert told_by_tone(again, again) is None


def test_an_answer_under_way_cannot_be_put_away(uneven: Judged) -> None:
    now = told(*READY, n.Caught(1), n.Dismissed(), n.Answered(1, uneven))
    assert now.phase is Phase.NAMED


def test_good_and_bad_news_sound_different() -> None:
    waves = {phase: tone_wav(phase) for phase in NOTES}
    assert waves[Phase.EVEN] != waves[Phase.NAMED] != waves[Phase.REFUSED] != waves[Phase.LOST]
    assert all(wave.startswith(b"RIFF") for wave in waves.values())
    for phase in (Phase.EVEN, Phase.ARMED, Phase.ENOUGH):
        assert NOTES[phase][-1][0] > NOTES[phase][0][0], "good news rises"
    for phase in (Phase.NAMED, Phase.UNNAMED, Phase.LOST):
        assert NOTES[phase][-1][0] < NOTES[phase][0][0], "bad news falls"
