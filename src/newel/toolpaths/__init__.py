"""Turns a cut into passes of the cutter: one file a kind of cut, and the links between passes."""
