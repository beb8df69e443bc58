"""The phone page: who may look, who may press, what is shown, and that nothing stale stays on the screen."""

from __future__ import annotations

import http.client
import itertools
import json
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from crankfold.acquire import Event, Happening
from crankfold.analysis import InputError
from crankfold.viewer.session import (
    NOTHING_GIVEN,
    Answered,
    Caught,
    NoBoard,
    Opened,
    Readying,
    Standing,
    after,
    judge,
    question_of,
)
from crankfold.viewer.share import LOOPBACK, Place, Sharing, place_of, told_of
from crankfold.viewer.share.server import MOST_CLIENTS

sys.path.insert(0, str(Path(__file__).parent))
from phone_browser import SIZE, PhoneBrowser

PATIENCE_S = 20.0


@pytest.fixture(scope="module")
def judged(dead_three: Any) -> Any:
    return judge(dead_three, question_of({**NOTHING_GIVEN, "firing_order": "1-3-4-2", "sync": "waste-spark:1"}))


def standing(*news: Any) -> Standing:
    now = Standing()
    for each in news:
        now = after(now, each)
    return now


@pytest.fixture
def sharing() -> Iterator[Sharing]:
    with Sharing(Place()) as made:
        yield made


def connected(address: str) -> http.client.HTTPConnection:
    parts = urlsplit(address)
    return http.client.HTTPConnection(str(parts.hostname), parts.port, timeout=PATIENCE_S)


def got(address: str, path: str = "", *, method: str = "GET") -> tuple[int, str, dict[str, str]]:
    connection = connected(address)
    connection.request(method, urlsplit(address).path + path)
    answer = connection.getresponse()
    body = answer.read().decode("utf-8")
    connection.close()
    return answer.status, body, dict(answer.getheaders())


class Watcher:
    """A browser's side of the stream."""

    def __init__(self, address: str) -> None:
        self._connection = connected(address)
        self._connection.request("GET", urlsplit(address).path + "events")
        self._answer = self._connection.getresponse()
        self.status = self._answer.status

    def next(self) -> dict[str, Any]:
        """Return the next thing that is told; beats are passed over."""
        while True:
            line = self._answer.readline().decode("utf-8")
            assert line, "the stream has ended"
            if line.startswith("data: {"):
                return json.loads(line.removeprefix("data: "))

    def until(self, headline: str) -> dict[str, Any]:
        while True:
            told = self.next()
            if told.get("headline") == headline:
                return told

    def close(self) -> None:
        self._answer.close()
        self._connection.close()


def test_a_result_is_told_as_the_window_tells_it(judged: Any) -> None:
    told = told_of(standing(Readying(True), Opened("board"), Caught(1), Answered(1, judged)), control=False)
    assert told["headline"] == "Cylinder 3 has no compression."
    assert told["alarm"] is True
    assert [c["name"] for c in told["cylinders"]] == ["1", "3", "4", "2"]
    dead = told["cylinders"][1]
    assert dead["percent"] < 15
    assert dead["word"] == "no compression"
    assert told["lines"]
    json.dumps(told)


@pytest.mark.parametrize(("news", "control", "actions"), [
    ((Readying(True), Opened("b"), Event(Happening.ARMED, 0, 0.0)), True, ["rest"]),
    ((Readying(True), Opened("b"), Event(Happening.ARMED, 0, 0.0)), False, []),
    ((Readying(True), Opened("b"), Event(Happening.CRANKING, 0, 0.0)), True, []),
    ((Readying(True), NoBoard("it is gone", "plug it in")), True, ["retry"])])
def test_what_may_be_pressed(news: Any, control: bool, actions: list[str]) -> None:
    assert told_of(standing(*news), control=control)["actions"] == actions


def test_while_cranking_the_page_knows_when_it_is_enough() -> None:
    told = told_of(standing(Readying(True), Opened("b"), Event(Happening.CRANKING, 0, 0.0)), control=False)
    assert 4.0 <= told["enough"]["after_s"] <= 5.0
    assert told_of(Standing(), control=False)["enough"] is None


def test_it_listens_on_this_computer_alone_unless_asked(sharing: Sharing) -> None:
    assert urlsplit(sharing.address).hostname == LOOPBACK
    assert sharing._server.servers[0].sockets[0].getsockname()[0] == LOOPBACK


def test_without_the_secret_there_is_nothing(sharing: Sharing) -> None:
    base = sharing.address.replace(urlsplit(sharing.address).path, "/")
    for path in ("", "events", "strip.svg", "x" * 22 + "/", "x" * 22 + "/events"):
        assert got(base, path)[0] == 404
    assert len(urlsplit(sharing.address).path) > 20
    with Sharing(Place()) as other:
        assert urlsplit(other.address).path != urlsplit(sharing.address).path


def test_the_page_loads_nothing_from_elsewhere_and_is_never_kept(sharing: Sharing) -> None:
    for path in ("", "phone.css", "phone.js"):
        status, body, headers = got(sharing.address, path)
        assert status == 200
        assert "http://" not in body
        assert "https://" not in body
        assert headers["cache-control"] == "no-store"
        assert "default-src 'none'" in headers["content-security-policy"]
    assert got(sharing.address, "../pyproject.toml")[0] == 404


def test_two_phones_see_the_same_and_one_may_leave(sharing: Sharing, judged: Any) -> None:
    one, two = Watcher(sharing.address), Watcher(sharing.address)
    sharing.tell(standing(Readying(True), Opened("board"), Caught(1), Answered(1, judged)))
    assert one.until("Cylinder 3 has no compression.") == two.until("Cylinder 3 has no compression.")
    one.close()
    sharing.tell(standing(Readying(True), Opened("board"), Event(Happening.CRANKING, 0, 0.0)))
    assert two.next()["phase"] == "cranking"
    again = Watcher(sharing.address)  # as a browser that lost the connection does
    assert again.next()["phase"] == "cranking"
    again.close()
    two.close()


def test_pictures_are_those_of_the_last_result(sharing: Sharing, judged: Any) -> None:
    assert got(sharing.address, "strip.svg")[0] == 404
    sharing.tell(standing(Readying(True), Opened("board"), Caught(1), Answered(1, judged)))
    for name in ("strip", "wheel"):
        status, body, headers = got(sharing.address, f"{name}.svg")
        assert (status, headers["content-type"].partition(";")[0]) == (200, "image/svg+xml")
        assert body.startswith("<svg")
    assert got(sharing.address, "other.svg")[0] == 404


def test_one_device_too_many_is_told_so(sharing: Sharing) -> None:
    watchers = [Watcher(sharing.address) for _ in range(MOST_CLIENTS)]
    sharing.tell(standing(Readying(True)))
    for watcher in watchers:
        watcher.next()
    assert got(sharing.address, "events")[0] == 503
    for watcher in watchers:
        watcher.close()


def test_it_is_read_only_unless_asked(sharing: Sharing) -> None:
    sharing.tell(standing(Readying(True), Opened("b"), Event(Happening.ARMED, 0, 0.0)))
    assert got(sharing.address, "do/rest", method="POST")[0] == 403
    assert got(sharing.address, "do/rest")[0] in (404, 405)


def test_with_control_only_what_is_offered_may_be_asked_for() -> None:
    asked, heard = [], threading.Event()

    def ask(action: str) -> None:
        asked.append(action)
        heard.set()

    with Sharing(Place(), ask) as sharing:
        assert got(sharing.address, "do/rest", method="POST")[0] == 403
        sharing.tell(standing(Readying(True), Opened("b"), Event(Happening.ARMED, 0, 0.0)))
        assert got(sharing.address, "do/rest", method="POST")[0] == 204
        assert heard.wait(PATIENCE_S)
        assert got(sharing.address, "do/format", method="POST")[0] == 403
    assert asked == ["rest"]


def test_closing_ends_open_pages_and_lets_go_of_the_port(judged: Any) -> None:
    sharing = Sharing(Place())
    watcher = Watcher(sharing.address)
    sharing.tell(standing(Readying(True)))
    watcher.next()
    sharing.close()
    watcher.close()
    assert not sharing._thread.is_alive()
    with pytest.raises(OSError):
        got(sharing.address)
    with Sharing(Place(port=sharing.port)):
        pass


@pytest.mark.parametrize(("text", "place"), [
    ("", Place()), ("192.168.1.5", Place("192.168.1.5")), (":8080", Place(port=8080)),
    ("0.0.0.0:80", Place("0.0.0.0", 80)), ("::1", Place("::1")), ("[::1]:80", Place("::1", 80))])
def test_places(text: str, place: Place) -> None:
    assert place_of(text) == place


@pytest.mark.parametrize("text", ["host:", "host:99999", "host:http", "a:b:c"])
def test_places_that_cannot_be(text: str) -> None:
    with pytest.raises(InputError, match="--share-at"):
        place_of(text)


def test_a_port_in_use_is_one_sentence(sharing: Sharing) -> None:
    with pytest.raises(InputError, match="choose another with --share-at"):
        Sharing(Place(port=sharing.port))


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PhoneBrowser]:
    with PhoneBrowser(tmp_path_factory.mktemp("profile")) as made:
        yield made


def test_two_phones_show_the_result_and_what_can_be_pressed(browser: PhoneBrowser, judged: Any) -> None:
    asked: list[str] = []
    heard = threading.Event()

    def ask(action: str) -> None:
        asked.append(action)
        heard.set()

    with Sharing(Place(), ask) as sharing:
        one, two = browser.page(sharing.address), browser.page(sharing.address)
        sharing.tell(standing(Readying(True), Opened("board"), Caught(1), Answered(1, judged)))
        for phone in (one, two):
            phone.until("Cylinder 3 has no compression.")
            assert phone.asked("document.querySelectorAll('#cylinders .low').length") == 1
            assert phone.asked("document.documentElement.scrollWidth") <= SIZE[0], "nothing to be pushed sideways"
        least_px = 12.0 / 25.4 * 96.0
        assert one.asked("document.querySelector('button').getBoundingClientRect().height") >= least_px - 1.0
        assert one.asked("parseFloat(getComputedStyle(document.getElementById('headline')).fontSize)") >= 35.0
        one.press("Pause")
        assert heard.wait(PATIENCE_S)
    assert asked == ["rest"]


def test_a_phone_says_that_the_connection_is_lost_and_follows_again(browser: PhoneBrowser, judged: Any,
                                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("secrets.token_urlsafe", lambda size: "q" * size)  # so that the second page is the first's
    with Sharing(Place()) as sharing:
        phone, port = browser.page(sharing.address), sharing.port
        sharing.tell(standing(Readying(True), Opened("board"), Caught(1), Answered(1, judged)))
        phone.until("Cylinder 3 has no compression.")
    phone.until("Connection lost.")
    assert "not live" in phone.text("advice")
    assert phone.asked("document.body.className") == "alarm lost"
    with Sharing(Place(port=port)) as sharing:
        sharing.tell(standing(Readying(True), Opened("board"), Event(Happening.ARMED, 0, 0.0)))
        phone.until("Armed. Crank.")
        assert phone.asked("document.body.className") == ""
        assert phone.text("cylinders") == "", "nothing stale is left"


@pytest.mark.timeout(120)
def test_the_sheet_reads_well_on_a_phone(browser: PhoneBrowser, judged: Any, tmp_path: Path) -> None:
    """One column, nothing to be pushed sideways, and no part lies over another."""
    from crankfold.acquire import Job
    from crankfold.viewer.picture import sheet_html

    page = tmp_path / "sheet.html"
    page.write_text(sheet_html(judged, Job(customer="Harbour Workshop", plate="HW 12"), file="crank.h5"), "utf-8")
    phone = browser.page(page.as_uri())
    end = "document.readyState === 'complete' && document.querySelector('table') !== null"
    wait_until(lambda: phone.asked(end) is True)
    assert phone.asked("document.documentElement.scrollWidth") <= SIZE[0]
    boxes = phone.asked("JSON.stringify([...document.querySelectorAll('.columns > section')].map(s => "
                        "{const r = s.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]}))")
    places = json.loads(boxes)
    assert len(places) >= 3
    for upper, lower in itertools.pairwise(places):
        assert upper[3] <= lower[1] + 0.5, "the sections stand below each other"
    assert phone.asked("(t => t.scrollWidth <= t.parentElement.clientWidth + 1)(document.querySelector('table'))")
    assert phone.asked("parseFloat(getComputedStyle(document.body).fontSize)") >= 15.0


def wait_until(true: Callable[[], bool]) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.02)
