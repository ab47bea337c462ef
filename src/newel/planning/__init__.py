"""Decides how a part is made, and says why: place, hold, cutters, order, feeds."""
