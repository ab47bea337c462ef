"""Finding the rotary axis and the bar with a probe or a dial gauge, and correcting for what was found."""
