"""A capture as sound, and the tones of the window."""
