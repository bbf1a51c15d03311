"""keybench: which key-estimation method is right, on what music, how sure of itself, and at what cost."""

__version__ = "0.1.0"
