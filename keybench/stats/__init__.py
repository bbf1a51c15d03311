"""Intervals and paired comparisons. The unit of resampling is the group of related pieces, never the piece."""
