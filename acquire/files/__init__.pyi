from .storage import capture_image, codes_of

__all__ = [
    "capture_image", "codes_of",
]
