"""Runs: an experiment file becomes stored predictions; everything else is derived from them."""
