"""Chip, force, power, bending, grip and the clock: one function, one published model."""
