"""What the program never does: run text as code, load pickles, start a shell, listen for others, print what acts."""

from __future__ import annotations

import ast
import csv
import io
import socket
import subprocess
import sys
import unicodedata
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import TypeVar

import pytest

from crankfold.viewer.batch import columns_of, write_table
from crankfold.viewer.words import tame

TOP = Path(__file__).resolve().parents[2]
MODULES = sorted(path for room in ("acquire", "plugins", "analysis", "viewer") for path in (TOP / room).rglob("*.py"))
NEVER_IMPORTED = {"pickle", "cPickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "code", "codeop", "imp",
                  "socketserver", "http.server", "xmlrpc.server", "asyncio", "ftplib", "telnetlib", "smtplib",
                  "urllib.request", "requests", "http.client", "yaml", "socket"}
ASKED_FOR = {"acquire/socket_source.py": {"socket"}, "viewer/share/addresses.py": {"socket"},
             "viewer/share/server.py": {"asyncio"}, "acquire/network/borrower.py": {"socket"},
             "acquire/network/lender.py": {"socket"}, "plugins/network/board.py": {"socket"},
             "plugins/network/searching.py": {"socket"}}
"""A board in the network is called, a lent one and the phone page listen, on this computer alone unless somebody says
otherwise; all only when they are asked for."""
NEVER_CALLED = {"eval", "exec", "compile", "__import__", "os.system", "os.popen", "os.execv", "os.execvp", "os.spawnv",
                "pickle.loads", "subprocess.getoutput", "subprocess.getstatusoutput", "np.frompyfunc"}
Node = TypeVar("Node", bound=ast.AST)
SHELLS = {"sh", "bash", "cmd", "powershell"}


def dotted(node: ast.expr) -> str:
    parts: list[str] = []
    while isinstance(node, ast.Attribute):
        parts.append(node.attr)
        node = node.value
    return ".".join([node.id, *reversed(parts)]) if isinstance(node, ast.Name) else "." + ".".join(reversed(parts))


@cache
def everything() -> list[tuple[str, ast.AST]]:
    kinds = ast.Import | ast.ImportFrom | ast.Call
    return [(f"{path.relative_to(TOP)}:{node.lineno}", node) for path in MODULES
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, kinds)]


def nodes(kind: type[Node]) -> Iterator[tuple[str, Node]]:
    return ((where, node) for where, node in everything() if isinstance(node, kind))


def calls() -> Iterator[tuple[str, str, ast.Call]]:
    for where, node in nodes(ast.Call):
        yield where, dotted(node.func), node


def keywords(call: ast.Call) -> dict[str | None, object]:
    return {k.arg: k.value.value if isinstance(k.value, ast.Constant) else k.value for k in call.keywords}


def test_no_module_imports_what_runs_text_or_opens_the_network() -> None:
    guilty = []
    for where, node in nodes(ast.Import):
        asked_for = ASKED_FOR.get(where.partition(":")[0], set())
        guilty += [f"{where} {alias.name}" for alias in node.names if alias.name in NEVER_IMPORTED - asked_for]
    guilty += [f"{where} {node.module}" for where, node in nodes(ast.ImportFrom) if node.module in NEVER_IMPORTED]
    assert not guilty


def test_no_text_is_run_as_code() -> None:
    assert [f"{where} {name}" for where, name, _ in calls() if name in NEVER_CALLED] == []


def test_no_command_goes_through_a_shell() -> None:
    guilty = []
    for where, name, call in calls():
        if name.startswith("subprocess."):
            first = call.args[0] if call.args else None
            named = isinstance(first, ast.List) and isinstance(first.elts[0], ast.Constant) and first.elts[0].value
            if "shell" in keywords(call) or isinstance(first, ast.Constant | ast.JoinedStr) or named in SHELLS:
                guilty.append(where)
    assert not guilty


def test_numpy_is_told_not_to_unpickle() -> None:
    loads = [(where, keywords(call)) for where, name, call in calls() if name in {"np.load", "numpy.load"}]
    assert len(loads) >= 2
    assert [where for where, given in loads if given.get("allow_pickle") is not False] == []


def test_templates_escape_what_they_are_given() -> None:
    made = [(where, keywords(call)) for where, name, call in calls() if name.endswith("Environment")]
    assert made
    assert [where for where, given in made if given.get("autoescape") is not True] == []
    pages = [path.read_text(encoding="utf-8") for path in (TOP / "viewer" / "templates").iterdir()]
    assert pages
    for page in (text.replace('<script src="phone.js"', "") for text in pages):  # the phone page's own, beside it
        assert "autoescape false" not in page and "<script src" not in page and "http://" not in page.replace(
            "http://www.w3.org/", "")


def test_nothing_listens_while_a_capture_runs(crankfold_listening: list[str]) -> None:
    assert crankfold_listening == []


WATCHED = """
import sys
heard = []
def hook(event, arguments):
    if event == "subprocess.Popen" and arguments[1] == ["uname", "-p"]:
        return  # Python's own platform module, asked by a library
    if event in ("socket.bind", "socket.connect", "socket.listen", "os.system", "os.exec", "subprocess.Popen"):
        heard.append(event)
sys.addaudithook(hook)
from crankfold.viewer.command_line import run
status = run(["demo", "--out", sys.argv[1]])
print("\\nHEARD", status, *heard)
"""


@pytest.fixture
def crankfold_listening(tmp_path: Path) -> list[str]:
    """What the interpreter's own audit saw of the network and of processes during a whole demonstration."""
    done = subprocess.run([sys.executable, "-c", WATCHED, str(tmp_path / "out")], capture_output=True, text=True,
                          check=False, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    last = done.stdout.rsplit("HEARD", 1)[1].split()
    assert last[0] == "0", done.stdout + done.stderr
    return last[1:]


def test_the_watch_hears_what_it_is_to_hear(monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[str] = []
    on = [True]
    sys.addaudithook(lambda event, _: heard.append(event) if on[0] and event == "socket.bind" else None)
    with socket.socket() as made:
        made.bind(("127.0.0.1", 0))
    on[0] = False
    assert heard == ["socket.bind"]


def test_what_is_printed_acts_on_no_terminal() -> None:
    everything = "".join(map(chr, range(0x110000)))
    left = tame(everything)
    assert {unicodedata.category(c) for c in left}.isdisjoint({"Cc", "Cf", "Cs", "Zl", "Zp"})
    assert tame("\x1b]0;title\x07\x1b[2Jlow: 3\r\nok") == "?]0;title??[2Jlow: 3 ok"


FORMULAE = ["=1+1", "+1", "-1+cmd|' /C calc'!A0", "@SUM(A1)", "\t=1", "\r=1", "=HYPERLINK(\"http://x\")"]


@pytest.mark.parametrize("text", FORMULAE)
def test_a_cell_of_text_is_no_formula_to_a_spreadsheet(text: str) -> None:
    table = io.BytesIO()
    write_table(table, [{"file": text, "problem": text, "weakest_percent": -1.5}], columns_of(0), ".csv")
    (row,) = csv.DictReader(io.StringIO(table.getvalue().decode("utf-8"), newline=""))
    assert row["file"] == "'" + text
    assert row["problem"] == "'" + text
    assert row["weakest_percent"] == "-1.5"
