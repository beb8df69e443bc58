"""Folders of recordings into one table."""
