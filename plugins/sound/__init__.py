"""Sound inputs, through the sound library that the extra ``sound`` installs."""
