"""Capture files, and readers that run in a process of their own."""
