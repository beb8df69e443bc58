"""Boards and file readers in families that do not know each other, registered like anybody else's."""
