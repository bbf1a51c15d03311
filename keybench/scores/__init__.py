"""Scores: plain functions from predictions and truths to one number per piece, and the table of them all."""
