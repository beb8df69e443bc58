"""The window: its states and arithmetic without Qt, and the widgets that draw them. Qt is imported nowhere else."""
