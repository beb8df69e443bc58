"""From a question to a kept answer: open, arm, record, analyse, keep."""
