from .bars import bars_of
from .gestures import Plot, marker_card
from .layers import Layer, Pyramid, current_layer, second_layer
from .live import SHOWN_S, LiveLine, LiveTrace
from .reading import Reading, fold_reading, reading_text, strip_reading
from .strip_items import judged_strip
from .strip_view import StripView
from .strip_window import ZOOM, StripWindow

__all__ = [
    "Layer", "LiveLine", "LiveTrace", "Plot", "Pyramid", "Reading", "SHOWN_S", "StripView", "StripWindow", "ZOOM",
    "bars_of", "current_layer", "fold_reading", "judged_strip", "marker_card", "reading_text", "second_layer",
    "strip_reading",
]
