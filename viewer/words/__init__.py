"""Everything that is said: the wording file, sentences, numbers, terminal and JSON."""
