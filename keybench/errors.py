"""Errors a person can cause. Each carries one line that says what is wrong and what is accepted."""


class KeybenchError(Exception):
    """Base of every error that keybench raises on purpose."""


class KeyNameError(KeybenchError, ValueError):
    """A key could not be read from its text."""


class NotesError(KeybenchError, ValueError):
    """Notes that no estimator could make sense of: a time or pitch that is not a finite number, a negative length."""


class ManifestError(KeybenchError, ValueError):
    """A dataset manifest lacks a field or holds a value that is not accepted."""


class CorpusMissingError(KeybenchError, FileNotFoundError):
    """A corpus is not on this machine; the message names the command that brings it."""

    def __str__(self) -> str:  # FileNotFoundError would print an errno tuple
        return str(self.args[0]) if self.args else ""


class FetchError(KeybenchError, RuntimeError):
    """A corpus could not be fetched, unpacked or compared with its origin."""


class ReadError(KeybenchError, ValueError):
    """One piece could not be read; the message names the file and the piece."""


class ExperimentError(KeybenchError, ValueError):
    """An experiment file lacks a field or holds a value that is not accepted."""


class EstimatorError(KeybenchError, RuntimeError):
    """An estimator raised, or answered with something that is not a distribution over keys."""


class RunError(KeybenchError, RuntimeError):
    """A run directory cannot be used: another experiment's, unfinished, or damaged."""


class ModelError(KeybenchError, ValueError):
    """A saved model cannot be used, or a model cannot be saved or may not be passed on."""
