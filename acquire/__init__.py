"""From bytes to a capture: plugins, sources, ring buffer, trigger, recorder, probe scales and capture files."""
