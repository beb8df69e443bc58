"""Tables of settings against what their keys may hold: each mistake is named with what is expected."""

from __future__ import annotations

from pathlib import Path

import pytest

from crankfold.acquire import FileFormatError, TomlTable, parse_toml, read_toml
from crankfold.acquire.toml import KINDS, kind_of

PATH = Path("shop/rig.toml")
NAMED = {"title": KINDS["str"], "live": KINDS["bool"], "bits": KINDS["int"], "rate_hz": KINDS["float"],
         "channels": KINDS["tuple"], "settings": KINDS["dict"]}


def test_what_is_right_comes_back_converted() -> None:
    table = parse_toml(b'\xef\xbb\xbftitle = "cart"\nlive = true\nbits = 12\nrate_hz = 5000\nchannels = ["current"]\n'
                       b'settings = { baud = 250000, loud = false, gain = 1.5, name = "a" }\n')
    assert TomlTable(PATH, "", table).take_all(NAMED, ("title",)) == {
        "title": "cart", "live": True, "bits": 12, "rate_hz": 5000.0, "channels": ("current",),
        "settings": {"baud": "250000", "loud": "false", "gain": "1.5", "name": "a"}}


@pytest.mark.parametrize(("text", "said"), [
    ("title = 5", "the key 'title' holds 5, expected a text; write it like title = \"...\""),
    ("title = 'a'\nlive = 1", "the key 'live' holds 1, expected true or false; write it like live = true"),
    ("title = 'a'\nbits = true", "the key 'bits' holds True, expected a whole number; write it like bits = 4"),
    ("title = 'a'\nbits = 1.5", "expected a whole number"), ("title = 'a'\nbits = 9007199254740993", "whole number"),
    ("title = 'a'\nrate_hz = true", "expected a number"), ("title = 'a'\nrate_hz = inf", "holds inf, expected"),
    ("title = 'a'\nchannels = 'current'", "expected a list of texts"),
    ("title = 'a'\nchannels = [1]", "expected a list of texts"),
    ("title = 'a'\nsettings = [1]", "expected a table of texts"),
    ("title = 'a'\nsettings = { a = [1] }", "expected a table of texts"),
    ("bits = 12", "the key 'title' is missing; add a line like title = \"...\""),
    ("titel = 'a'", "the key 'titel' is unknown; did you mean 'title'?"),
    ("x = 1", "the key 'x' is unknown; it may hold title, live, bits, rate_hz, channels, settings"),
])
def test_a_mistake_is_named_with_what_is_expected(text, said) -> None:
    with pytest.raises(FileFormatError) as error:
        TomlTable(PATH, "", parse_toml(text.encode())).take_all(NAMED, ("title",))
    assert said in str(error.value)
    assert str(PATH) in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(("table", "said"), [
    ({"bits": "9" * 500}, f"holds '{'9' * 56}..., expected"),
    ({"bits": "9" * 58}, f"holds '{'9' * 58}', expected"),
    ({"k" * 500: 1}, f"the key '{'k' * 60}' is unknown")])
def test_what_is_long_is_shown_by_its_beginning(table, said) -> None:
    with pytest.raises(FileFormatError) as error:
        TomlTable(PATH, "", table).take_all(NAMED, ())
    assert said in str(error.value)


@pytest.mark.parametrize(("text", "said"), [
    ("a = 1\n" + "b" + ".b" * 501 + " = 1", "line 2 has more than 500 dots"),
    ("a = 0x" + "f" * 400, "line 1 has a number of 400 digits or more"),
    ("a = ", "Invalid value")])
def test_what_only_somebody_who_means_harm_would_write_is_not_read(text, said) -> None:
    with pytest.raises(ValueError, match=said):
        parse_toml(text.encode())


def test_the_limits_leave_room_for_what_people_write() -> None:
    assert parse_toml(("a = '" + "." * 500 + "'").encode()) == {"a": "." * 500}
    assert parse_toml(("a = 0x" + "f" * 398).encode())["a"] > 0


@pytest.mark.parametrize(("annotation", "kind"), [("tuple[str, ...]", "tuple"), ("float", "float"),
                                                  ("dict[str, str]", "dict")])
def test_the_kind_of_a_field(annotation, kind) -> None:
    assert kind_of(annotation) == kind


@pytest.mark.parametrize(("name", "key", "line"), [
    ("", "title", 1), ("device", "id", 5), ("channels[2]", "name", 10), ("start[1].control", "request", 13),
    ("device", "speed", None)])
def test_a_mistake_is_found_on_its_line(tmp_path, name, key, line) -> None:
    """Also in the second of several tables, and in a table within a line; one that is missing has none."""
    path = tmp_path / "board.toml"
    path.write_text('title = "Harbour Workshop"\nrate_hz = 5\n\n[device]\nid = 7\n\n[[channels]]\nname = "current"\n'
                    '[[channels]]\nname = "sync"\n\n[[start]]\ncontrol = { request = 1 }\n', encoding="utf-8")
    top = read_toml(path)
    assert TomlTable(path, name, {}, top._text).wrong(key, "something else").line == line
