from .book import BookPage, ComparingPage
from .choosing import Card, ChoosingPage, Option
from .form import FormPage
from .leaf import BACK, Leaf
from .phone import PhonePage
from .pile import Pile
from .riddle import RiddlePage

__all__ = [
    "BACK", "BookPage", "Card", "ChoosingPage", "ComparingPage", "FormPage", "Leaf", "Option", "PhonePage", "Pile",
    "RiddlePage",
]
