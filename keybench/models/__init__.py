"""Fitted models: those that ship with keybench, and saving and loading one's own.

>>> from keybench import models
>>> from keybench.notes import NoteTable
>>> from keybench.views import view
>>> notes = NoteTable.from_notes([38, 38, 43, 45, 38, 36, 43, 45, 38])
>>> heard = view(models.describe("bass-line").view, notes).notes
>>> print(models.load("bass-line").explain(heard)[0].ranked[0][0].tonic_name)
D
"""

from keybench.models.card import Card
from keybench.models.store import describe, load, names, save

__all__ = ["Card", "describe", "load", "names", "save"]
