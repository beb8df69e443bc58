"""The compiled kernels where nothing can be cached: a package folder and a home that cannot be written."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from crankfold.analysis.model import compiling

PROGRAM = """
import importlib.util, sys
spec = importlib.util.spec_from_file_location("compiling", sys.argv[1])
module = importlib.util.module_from_spec(spec)
spec.loader.exec_module(module)
spec = importlib.util.spec_from_file_location("kernel", sys.argv[2])
kernel = importlib.util.module_from_spec(spec)
kernel.compiled = module.compiled
spec.loader.exec_module(kernel)
print(kernel.twice(21.0), kernel.twice.signatures)
"""


def test_without_a_place_for_the_cache_it_compiles_in_memory(tmp_path):
    kernel = tmp_path / "kernel.py"
    kernel.write_text("@compiled()\ndef twice(x):\n    return 2.0 * x\n")
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where a folder is looked for, which stops root too")
    (tmp_path / "__pycache__").write_text("the same beside the module")
    places = {name: str(blocked / "inside") for name in ("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA")}
    environment = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"} | places
    assert compiling.__file__ is not None
    done = subprocess.run([sys.executable, "-c", PROGRAM, str(Path(compiling.__file__)), str(kernel)],
                          capture_output=True, text=True, env=environment, timeout=50, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("42.0")
    assert "float64" in done.stdout
