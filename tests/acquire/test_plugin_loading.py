"""Plugins installed for real in a folder on the path: good ones used, broken ones listed with their cause."""

from __future__ import annotations

import importlib.metadata
import subprocess
import sys
import textwrap

import pytest

from crankfold.acquire import hooks, load_plugins
from crankfold.acquire.errors import PluginLoadError

GOOD = """
    from crankfold.acquire.declarations import BoardDeclaration, ReaderDeclaration
    from crankfold.acquire.hooks import hookimpl
    crankfold_contract = 1

    @hookimpl
    def crankfold_boards():
        return [BoardDeclaration("NAME", "A board", lambda address, settings: None, lambda deadline_s: ())]
"""


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Install a plugin: a module and its entry point, as pip would leave them."""
    monkeypatch.syspath_prepend(str(tmp_path))
    known = set(sys.modules)

    def one(package, source, *, version="1.2", entry=None):
        module = package.replace("-", "_")
        (tmp_path / f"{module}.py").write_text(textwrap.dedent(source), encoding="utf-8")
        info = tmp_path / f"{module}-{version}.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: {version}\n")
        (info / "entry_points.txt").write_text(f"[crankfold]\n{package} = {entry or module}\n")

    yield one
    for name in set(sys.modules) - known:
        del sys.modules[name]


def load(**options):
    """Only what was installed by the test."""
    entries = [e for e in importlib.metadata.entry_points(group=hooks.GROUP) if e.dist and e.dist.name != "crankfold"]
    return load_plugins(entry_points=entries, **options)


def test_a_plugin_is_loaded_and_where_it_comes_from_is_told(install, tmp_path) -> None:
    install("harbour-board", GOOD.replace("NAME", "harbour"))
    plugins = load()
    assert list(plugins.boards) == ["harbour"]
    origin = plugins.boards["harbour"].plugin
    assert (origin.distribution, origin.version, origin.module) == ("harbour-board", "1.2", "harbour_board")
    assert origin.path == str(tmp_path / "harbour_board.py")
    assert str(origin) == "harbour-board (harbour-board 1.2)"
    assert plugins.loaded == (origin,)
    assert plugins.failed == ()
    assert not origin.own


BROKEN = {
    "raises": ("raise RuntimeError('no such chip\\nat all')", "its import failed: RuntimeError: no such chip at all"),
    "exits": ("import sys; sys.exit('bye')", "its import failed: SystemExit: bye"),
    "syntax": ("def (", "its import failed: SyntaxError"),
    "missing": ("import there_is_no_such_module", "No module named 'there_is_no_such_module'"),
    "silent": ("x = 1", "add the line crankfold_contract = 1"),
    "future": ("crankfold_contract = 99", "follows contract 99, this version speaks 1; update this program"),
    "old": ("crankfold_contract = 0", "follows contract 0, this version speaks 1; update the plugin"),
    "words": ("crankfold_contract = 'one'", "follows contract 'one'"),
    "empty": ("crankfold_contract = 1", "offers neither a board nor a file reader"),
    "misspelt": (GOOD.replace("def crankfold_boards", "def crankfold_bords"),
                 "implements crankfold_bords, a hook that does not exist"),
    "unmarked": (GOOD.replace("@hookimpl", ""), "its crankfold_boards is not marked; put @hookimpl above it"),
    "arguments": (GOOD.replace("crankfold_boards()", "crankfold_boards(surprise)"), "its hooks do not fit"),
    "breaks": (GOOD.replace("return [", "return 1 / 0, ["), "its crankfold_boards failed: ZeroDivisionError"),
    "nothing": (GOOD.replace("return [", "return None and ["), "its crankfold_boards failed: TypeError"),
    "strange": (GOOD.replace("return [", "return ['a board'] + ["), "returned a str, not a BoardDeclaration"),
    "colon": (GOOD.replace("NAME", "a:b"), "the name 'a:b' cannot be used"),
    "twice": (GOOD.replace("NAME", "twin").replace("return [", "return 2 * ["),
              "the name 'twin' is already taken by plugin aaa-broken"),
    "capitals": (GOOD, "the name 'NAME' cannot be used"),
}


@pytest.mark.parametrize("kind", BROKEN)
def test_a_broken_plugin_is_listed_with_its_cause_and_harms_nobody(install, kind) -> None:
    source, said = BROKEN[kind]
    install("aaa-broken", source)
    install("zzz-good", GOOD.replace("NAME", "good"))
    plugins = load()
    (failed,) = plugins.failed
    assert said in failed.cause
    assert "\n" not in failed.cause
    assert (failed.plugin.distribution, failed.plugin.version) == ("aaa-broken", "1.2")
    assert "aaa-broken 1.2" in failed.cause
    assert list(plugins.boards) == ["good"]


def test_the_cause_is_kept_as_a_chain(install) -> None:
    install("aaa-broken", BROKEN["raises"][0])
    (failed,) = load().failed
    assert isinstance(failed.error.__cause__, RuntimeError)


def test_an_entry_point_that_names_no_module(install) -> None:
    install("points-inside", GOOD.replace("NAME", "x"), entry="points_inside:crankfold_boards")
    (failed,) = load().failed
    assert "names a function; name a module" in failed.cause


def test_a_second_plugin_of_the_same_name_is_left_out_whole(install) -> None:
    install("first", GOOD.replace("NAME", "same"))
    other = "return [BoardDeclaration('other', '', None, None),"
    install("second", GOOD.replace("NAME", "same").replace("return [", other))
    plugins = load()
    assert list(plugins.boards) == ["same"]
    assert plugins.boards["same"].plugin.name == "first"
    assert "'same' is already taken by plugin first (first 1.2)" in plugins.failed[0].cause


def test_strict_makes_a_broken_plugin_fatal(install) -> None:
    install("aaa-broken", BROKEN["raises"][0])
    with pytest.raises(PluginLoadError, match="no such chip"):
        load(strict=True)


def test_without_plugins_only_our_own_are_loaded(install) -> None:
    install("spy", "raise SystemExit('must not even be imported')")
    plugins = load_plugins(enabled=False)
    assert "spy" not in [p.name for p in plugins.loaded] + [f.plugin.name for f in plugins.failed]
    assert "spy" not in sys.modules
    assert all(origin.own for origin in plugins.loaded)
    assert load(enabled=False).loaded == ()


def test_a_name_imports_only_the_plugin_of_that_name(install) -> None:
    install("harbour", GOOD.replace("NAME", "harbour"))
    install("spy", "raise SystemExit('must not even be imported')")
    plugins = load()
    assert plugins.boards["harbour"].plugin.name == "harbour"
    assert "spy" not in sys.modules
    assert [failed.plugin.name for failed in plugins.failed] == ["spy"]  # listing everything imports everything


def test_a_board_is_found_by_a_name_that_is_not_its_plugin_s(install) -> None:
    install("harbour-board", GOOD.replace("NAME", "harbour"))
    assert "harbour" in load().boards
    assert "quay" not in load().boards


def test_a_name_of_our_own_is_taken_before_its_plugin_is_imported(install) -> None:
    install("aaa", GOOD.replace("NAME", "virtual"))
    plugins = load_plugins()
    assert "aaa" not in plugins.boards
    assert plugins.boards["virtual"].plugin.own


LOADED = """
import sys
from pathlib import Path
from crankfold.acquire import load_plugins, open_file
with open_file(Path(sys.argv[1]), {}, load_plugins(enabled=False)):
    print(*sorted(name for name in sys.modules if name.startswith("crankfold.plugins.")))
"""


def test_a_csv_file_imports_the_csv_reader_and_no_board(tmp_path) -> None:
    table = tmp_path / "crank.csv"
    table.write_text("time,current\n" + "".join(f"{k / 1000},{k % 7}\n" for k in range(200)))
    done = subprocess.run([sys.executable, "-c", LOADED, str(table)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    families = {name.split(".")[2] for name in done.stdout.split()}
    assert families == {"tables"}
    others = {"hdf5", "matlab", "mdf", "numpy", "parquet", "wav"}
    assert not others & {name.split(".")[-1] for name in done.stdout.split()}


def test_promised_endings_are_those_that_the_readers_declare() -> None:
    promised = {(entry.name, entry.value) for entry in importlib.metadata.entry_points(group=hooks.ENDINGS)}
    declared = {(ending.removeprefix("."), offered.plugin.module)
                for offered in load_plugins(enabled=False).readers.values() for ending in offered.declaration.suffixes}
    assert promised == declared


def test_our_own_come_first_so_that_nobody_takes_their_names(install) -> None:
    install("aaa", GOOD.replace("NAME", "virtual"))
    plugins = load_plugins()
    assert plugins.boards["virtual"].plugin.own
    assert [f.plugin.name for f in plugins.failed] == ["aaa"]


def test_every_built_in_plugin_loads() -> None:
    plugins = load_plugins(enabled=False, strict=True)
    assert {"csv", "capture"} <= set(plugins.readers)
    assert "virtual" in plugins.boards
