"""Boards and file readers, one module each, registered like anybody else's."""
