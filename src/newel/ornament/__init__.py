"""Ornament: drawings, lettering and grey pictures wrapped on a part's surface, as material to be taken away or left proud."""
