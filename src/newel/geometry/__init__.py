"""Shapes and nothing but shapes: meshes, profiles, drop, the blank, distances. Knows no trade."""
