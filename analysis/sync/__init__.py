"""Sync pulses on the second channel, and which cylinder they name."""
