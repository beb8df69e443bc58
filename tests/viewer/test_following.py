"""One recording after another, and Ctrl-C between two cranks."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from crankfold.viewer.session import Following
from crankfold.viewer.session import follow as module


class OneCrank:
    """Hands out one crank, and says what became of it."""

    broken_by = None

    def __init__(self, *_: Any, **__: Any) -> None:
        self.left, self.settled, self.stopped = ["crank"], 0, False

    def __enter__(self) -> OneCrank:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def __iter__(self) -> Any:
        while self.left:
            yield self.left.pop()

    def settle(self) -> None:
        self.settled += 1

    def stop(self) -> None:
        self.stopped = True


def test_ctrl_c_as_the_next_crank_is_asked_for_settles_the_one_before(monkeypatch: pytest.MonkeyPatch) -> None:
    recorder = OneCrank()
    monkeypatch.setattr(module, "Recorder", lambda *_, **__: recorder)
    following = Following(lambda: None, lambda _: None, lambda _: None, lambda _: None, lambda: None,  # type: ignore
                          patient=False, enough=lambda: False)
    captures = following.captures(SimpleNamespace(info=None))  # type: ignore[arg-type]
    assert next(captures) == "crank"
    with pytest.raises(StopIteration):
        captures.throw(KeyboardInterrupt)
    assert (recorder.settled, recorder.stopped, following.interrupted) == (1, True, True)
