from . import look, measures
from .big_words import tell_big
from .compare_page import comparison_picture, comparison_upright
from .fleet_page import fleet_picture
from .fleet_scene import FleetCount
from .fold import FoldData, Lane, fold_of, lanes_of
from .fold_drawing import draw_fold, plot_of
from .look import Paper
from .page import HEIGHT, MARGIN, WIDTH, picture_of, title_over
from .pdf import pdf_of
from .png import FONTS, write_png
from .scene import Anchor, Box, Face, Item, Panel, Path, Ring, Rule, Scene, Words
from .sheet import sheet_html
from .strip import Stretch, StripData, strip_of
from .strip_drawing import EDGE, StripScales, band, draw_strip, rules, strip_scales
from .svg import write_svg
from .tree_page import tree_picture
from .validation_page import validation_picture
from .wheel import HUB_SHARE, WheelData, wheel_of
from .wheel_drawing import draw_wheel, wheel_centre

__all__ = [
    "Anchor", "Box", "EDGE", "FONTS", "Face", "FleetCount", "FoldData", "HEIGHT", "HUB_SHARE", "Item", "Lane",
    "MARGIN", "Panel", "Paper", "Path", "Ring", "Rule", "Scene", "Stretch", "StripData", "StripScales", "WIDTH",
    "WheelData", "Words", "band", "comparison_picture", "comparison_upright", "draw_fold", "draw_strip", "draw_wheel",
    "fleet_picture", "fold_of", "lanes_of", "look", "measures", "pdf_of", "picture_of", "plot_of", "rules",
    "sheet_html", "strip_of", "strip_scales", "tell_big", "title_over", "tree_picture", "validation_picture",
    "wheel_centre", "wheel_of", "write_png", "write_svg",
]
