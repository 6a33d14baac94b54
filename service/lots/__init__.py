"""Lots (every identified quantity), the processes that connect them, and the lines that carry the mass."""
