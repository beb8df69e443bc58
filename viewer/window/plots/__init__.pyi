from .gestures import Plot, marker_card
from .layers import Layer, current_layer, second_layer
from .pyramid import Pyramid
from .reading import Reading, fold_reading, reading_text, strip_reading

__all__ = [
    "Layer", "Plot", "Pyramid", "Reading", "current_layer", "fold_reading", "marker_card", "reading_text",
    "second_layer", "strip_reading",
]
