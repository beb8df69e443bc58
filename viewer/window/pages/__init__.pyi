from .book import BookPage
from .card import Card
from .choosing import ChoosingPage, Option
from .comparing import ComparingPage
from .form import FormPage
from .leaf import BACK, Leaf
from .pile import Pile
from .riddle import RiddlePage

__all__ = [
    "BACK", "BookPage", "Card", "ChoosingPage", "ComparingPage", "FormPage", "Leaf", "Option", "Pile", "RiddlePage",
]
