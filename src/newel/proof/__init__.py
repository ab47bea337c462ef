"""Reads a program as the machine will and says what it would do: independent of whoever planned it."""
