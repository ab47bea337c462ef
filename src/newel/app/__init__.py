"""The door to the world: the command line, documents on disk, and the local page."""
