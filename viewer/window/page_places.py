"""Where the views of the test page lie: beside each other on a wide screen, below each other on an upright one."""

from __future__ import annotations

from crankfold.viewer.picture import Box
from crankfold.viewer.window.placing import GAP
from crankfold.viewer.window.views import TITLE

RIGHT_SHARE = 0.36  # of the width, for wheel and words
WORDS_SHARE = 0.28  # of the right column, below the wheel
STRIP_SHARE = 0.47  # of the left column, above the fold
UPRIGHT_STRIP, UPRIGHT_FOLD = 0.3, 0.28  # of the height, upright; wheel and words share the rest
UPRIGHT_WHEEL = 0.56  # of the width
UPRIGHT_WORDS = 0.42  # of the height, for words where there is no wheel


def wide_places(whole: Box, *, both: bool, worded: bool) -> dict[str, Box]:
    """Return the boxes of the views by name, where the screen is wide.

    Parameters
    ----------
    whole
        What they share.
    both
        Whether fold and wheel are shown.
    worded
        Whether the card of words is.
    """
    right = RIGHT_SHARE * whole.width if worded else 0.0
    main = whole.width - right - (1.5 * GAP if worded else 0.0)
    strip = STRIP_SHARE * whole.height if both else whole.height
    words = WORDS_SHARE * (whole.height - TITLE) + GAP if both else whole.height
    side = whole.right - right
    return {"picture": Box(whole.left, whole.top + TITLE, main, whole.height - TITLE),
            "strip": Box(whole.left, whole.top, main, strip),
            "fold": Box(whole.left, whole.top + strip + 0.5 * GAP, main, whole.height - strip - 0.5 * GAP),
            "wheel": Box(side, whole.top, right, whole.height - words),
            "words": Box(side, whole.bottom - words, right, words)}


def upright_places(whole: Box, *, both: bool, worded: bool) -> dict[str, Box]:
    """Return the boxes of the views by name, where the screen is held upright; parameters as in `wide_places`."""
    if not both:
        low = UPRIGHT_WORDS * whole.height if worded else -GAP
        high = Box(whole.left, whole.top, whole.width, whole.height - low - GAP)
        rest = Box(whole.left, high.bottom + GAP, whole.width, max(low, 0.0))
        return {"picture": Box(high.left, high.top + TITLE, high.width, high.height - TITLE), "strip": high,
                "fold": high, "wheel": rest, "words": rest}
    strip = Box(whole.left, whole.top, whole.width, UPRIGHT_STRIP * whole.height)
    fold = Box(whole.left, strip.bottom + 0.5 * GAP, whole.width, UPRIGHT_FOLD * whole.height)
    top = fold.bottom + 0.5 * GAP
    wheel = Box(whole.left, top, UPRIGHT_WHEEL * whole.width, whole.bottom - top)
    return {"picture": strip, "strip": strip, "fold": fold, "wheel": wheel,
            "words": Box(wheel.right + GAP, top, whole.right - wheel.right - GAP, wheel.height)}
