"""Rigs and engine cards: saved, found by name, and every mistake in a file named by its key."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crankfold.acquire import EngineCard, FileFormatError, RecordingPlan, Rig, Shelf, changed, save_card
from crankfold.acquire.rig.shelf import load_card
from crankfold.analysis import InputError

CART = Rig("serial-lines:SN0042", {"baud": "250000"}, "counts:5V/10bit,10mV/A", "waste-spark:1",
           ("current", "sync"), ("sync",), 2.0, 20.0, "the grey cart, clamp on the starter's lead")
LAUNCH = EngineCard("1-5-3-6-2-4", strokes=4, ignition="waste-spark", fuel="spark", system_v=12,
                    starter="permanent-magnet", batteries=2, notes="harbour launch")


def test_cards_come_back_from_the_shelf(tmp_path) -> None:
    shelf = Shelf(tmp_path)
    assert (shelf.rigs(), shelf.engines()) == ((), ())
    shelf.save("cart", CART)
    path = shelf.save("launch", LAUNCH)
    shelf.save("bench", Rig("virtual"))
    assert (shelf.rigs(), shelf.engines()) == (("bench", "cart"), ("launch",))
    assert shelf.rig("cart") == CART
    assert shelf.rig("bench") == Rig("virtual")
    assert shelf.engine("launch") == LAUNCH
    assert shelf.engine(str(path)) == LAUNCH
    assert shelf.engine("launch").engine("launch").firing_order == (1, 5, 3, 6, 2, 4)
    assert "probe" not in (tmp_path / "rigs" / "bench.toml").read_text()
    assert shelf.save("x" * 64, CART).is_file()


def test_the_usual_place_is_where_the_platform_keeps_settings(monkeypatch, tmp_path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert "crankfold" in str(Shelf().folder)


@settings(max_examples=50, deadline=None)
@given(notes=st.text(), settings_of=st.dictionaries(st.text(min_size=1), st.text(), max_size=3))
def test_any_texts_come_back(tmp_path_factory, notes, settings_of) -> None:
    path = tmp_path_factory.mktemp("any") / "x.toml"
    rig = Rig("virtual:pump", settings_of, notes=notes)
    save_card(path, rig)
    assert load_card(path, Rig) == rig


@pytest.mark.parametrize("name", ["", ".", "..", "../up", "a/b", "a\\b", "/etc/passwd", ".hidden", "nul", "COM1", "a.b",
                                  "x" * 65, "\u30dd" * 64 + "x", "\U00020000" * 60, "a\0", "end ", "a\n"])
def test_names_that_cannot_be_a_file_are_refused(tmp_path, name) -> None:
    shelf = Shelf(tmp_path / "shelf")
    with pytest.raises(InputError, match="cannot be used"):
        shelf.save(name, CART)
    with pytest.raises(InputError, match="cannot be used"):
        shelf.rig(name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["Überführung", "e\u0301tang", "насос 2", "ポンプ"])
def test_names_may_have_letters_of_any_language(tmp_path, name) -> None:
    """However a keyboard puts an accent on them."""
    shelf, one = Shelf(tmp_path / "shelf"), unicodedata.normalize("NFC", name)
    shelf.save(name, CART)
    assert shelf.rig(one) == shelf.rig(unicodedata.normalize("NFD", name)) == CART
    assert shelf.rigs() == (one,)


def test_what_is_not_there_is_answered_with_what_is(tmp_path) -> None:
    shelf = Shelf(tmp_path)
    with pytest.raises(InputError, match="no rig called 'cart'; none has been saved yet"):
        shelf.rig("cart")
    shelf.save("bench", CART)
    with pytest.raises(InputError, match="no rig called 'cart'; saved: bench"):
        shelf.rig("cart")
    with pytest.raises(FileFormatError, match="there is no such file"):
        shelf.rig(str(tmp_path / "none.toml"))


@pytest.mark.parametrize(("content", "said"), [
    ("", "the key 'board' is missing; add a line like board ="),
    ("board = 5", "the key 'board' holds 5, expected a text"),
    ("board = 'virtual'\nbord = 'x'", "the key 'bord' is unknown; did you mean 'board'?"),
    ("board = 'virtual'\nzzz = 1", "the key 'zzz' is unknown; it may hold board, settings, probe"),
    ("board = 'virtual'\npre_trigger_s = 'long'", "expected a number; write it like pre_trigger_s = 1.5"),
    ("board = 'virtual'\npre_trigger_s = true", "expected a number"),
    ("board = 'virtual'\npre_trigger_s = nan", "expected a number"),
    ("board = 'virtual'\npre_trigger_s = -3", "pre_trigger_s is -3; it is between 0.1 and 60"),
    ("board = 'virtual'\nsettings = 'x'", "expected a table of texts"),
    ("board = 'virtual'\n[settings]\na = [1]", "expected a table of texts"),
    ("board = 'virtual'\nchannels = ['current', 5]", "expected a list of texts"),
    ("board = 'virtual'\nchannels = ['current', 'current']", "name one twice"),
    ("board = 'virtual'\nprobe = '0mV/A'", "the scale must be above zero"),
    ("board = ':x'", "names no plugin"),
    ("board = 'virtual", "this is not valid TOML"),
    ("a = " + "[" * 50_000, "this is not valid TOML"),
    ("board = '" + "x" * 200_000 + "'", "far too long"),
])
def test_mistakes_in_a_rig_file(tmp_path, content, said) -> None:
    path = tmp_path / "r.toml"
    path.write_text(content)
    with pytest.raises(FileFormatError) as error:
        load_card(path, Rig)
    assert said in str(error.value)
    assert str(path) in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(("content", "said"), [
    ("strokes = 4", "the key 'firing_order' is missing"),
    ("firing_order = '1-3-4-2'\nstrokes = 'four'", "expected a whole number"),
    ("firing_order = '1-3-4-2'\nstrokes = 4.0", "expected a whole number"),
    ("firing_order = '1-3-4-2'\nstrokes = 3", "an engine has 2 or 4"),
    ("firing_order = '1-3-3-2'", "names cylinder 3 twice"),
    ("firing_order = '1-3-4-2'\nintervals = '100-100'", "add up to"),
    ("firing_order = '1-3-4-2'\nfuel = 'coal'", "fuel is 'coal'; it is one of spark, diesel, or left out"),
    ("firing_order = '1-3-4-2'\nignition = 'x'", "ignition is 'x'"),
    ("firing_order = '1-3-4-2'\nstarter = 'x'", "starter is 'x'"),
    ("firing_order = '1-3-4-2'\nsystem_v = 230", "system_v is 230; it is 12 or 24"),
    ("firing_order = '1-3-4-2'\nbatteries = 0", "batteries is 0"),
    ("firing_order = '1-3-4-2'\ndecompressor = 1", "expected true or false"),
])
def test_mistakes_in_an_engine_file(tmp_path, content, said) -> None:
    path = tmp_path / "e.toml"
    path.write_text(content)
    with pytest.raises(FileFormatError) as error:
        load_card(path, EngineCard)
    assert said in str(error.value)


def test_other_encodings_and_byte_order_marks(tmp_path) -> None:
    path = tmp_path / "r.toml"
    path.write_bytes(b"\xef\xbb\xbfboard = 'virtual'\r\n")
    assert load_card(path, Rig) == Rig("virtual")
    path.write_bytes("board = 'virtual'".encode("utf-16"))
    with pytest.raises(FileFormatError, match="UTF-8"):
        load_card(path, Rig)
    with pytest.raises(FileFormatError, match="cannot be read"):
        load_card(tmp_path, Rig)


def test_numbers_in_settings_become_texts(tmp_path) -> None:
    path = tmp_path / "r.toml"
    path.write_text("board = 'virtual'\n[settings]\nbaud = 250000\necho = true\n")
    assert load_card(path, Rig).settings == {"baud": "250000", "echo": "true"}


def test_a_change_is_checked_again() -> None:
    assert changed(CART, {"probe": "1mV/A"}).probe == "1mV/A"
    with pytest.raises(InputError, match="above zero"):
        changed(CART, {"probe": "0mV/A"})


@pytest.mark.parametrize(("fuel", "ignition", "kind"), [
    ("", "", ""), ("", "none", "diesel"), ("", "waste-spark", "spark"), ("spark", "", "spark"),
    ("spark", "none", "spark"), ("diesel", "", "diesel"), ("diesel", "none", "diesel"),
    ("diesel", "coil-on-plug", "diesel")])
def test_the_fuel_follows_from_the_ignition_where_it_is_not_said(fuel, ignition, kind) -> None:
    card = EngineCard("1-3-4-2", fuel=fuel, ignition=ignition)
    assert card.kind_of_fuel == kind
    assert card.engine("pump").fuel == kind


@pytest.mark.parametrize(("said", "volts"), [(0, 12.0), (6, 6.0), (12, 12.0), (24, 24.0)])
def test_a_battery_of_twelve_volts_where_none_is_said(said, volts) -> None:
    assert EngineCard("1-3-4-2", system_v=said).engine().system_v == volts


@pytest.mark.parametrize(("key", "lowest", "highest"), [("pre_trigger_s", 0.1, 60.0), ("max_crank_s", 1.0, 120.0),
                                                        ("batteries", 1, 8)])
def test_the_ends_of_what_can_be(key, lowest, highest) -> None:
    def made(value: float) -> Rig | EngineCard:
        return changed(LAUNCH, {key: value}) if key == "batteries" else changed(CART, {key: value})

    step = 1 if key == "batteries" else 0.01
    for value in (lowest, highest):
        assert getattr(made(value), key) == value
    for value in (lowest - step, highest + step, float("nan")):
        with pytest.raises(InputError, match=f"{key} is .*; it is between {lowest:g} and {highest:g}"):
            made(value)


def test_a_rig_that_does_not_say_records_as_one_does_without_a_rig() -> None:
    rig, plan = Rig("virtual"), RecordingPlan()
    assert (rig.pre_trigger_s, rig.max_crank_s) == (plan.pre_trigger_s, plan.max_crank_s)


@pytest.mark.parametrize("sync", ["waste", "cam:1", "waste-spark", "none:1", "waste-spark:1, cam:1"])
def test_a_rig_takes_no_sync_that_cannot_be(sync) -> None:
    with pytest.raises(InputError, match="sync"):
        Rig("virtual", sync=sync)
    assert Rig("virtual", sync="waste-spark:1, cam:1@90@cam").sync
