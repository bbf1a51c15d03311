"""``keybench explain``: ask a fitted model for the key of one's own music, and why."""

from __future__ import annotations

import json
from pathlib import Path

import click

from keybench.cli.options import json_option


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--model", required=True, metavar="NAME",
              help="A model that ships (see: keybench models list), or the .json file of one's own.")  # fmt: skip
@json_option
def explain(file: Path, model: str, as_json: bool) -> None:
    """Name the key of the music in FILE and say what in the notes speaks for it and against it.

    FILE is ABC, gabc, kern, MIDI, MusicXML or a table of notes. Scores describe the music that a model was measured on;
    ear and teacher decide.
    """
    from keybench import models
    from keybench.corpora.music_file import read_music
    from keybench.errors import ModelError
    from keybench.views import view
    from keybench.views.media import medium

    card = models.describe(model)
    heard_as = card.view or "whole"
    if medium(heard_as) != "notes":
        raise ModelError(f"{model}: hears {medium(heard_as)}, and a file of notes was given; accepted: a model that "
                         "hears notes (see: keybench models list)")  # fmt: skip
    names, notes = read_music(file)
    evidence = models.load(model).explain(view(heard_as, notes).notes)
    if as_json:
        click.echo(json.dumps([{"piece": name, **e.to_dict()} for name, e in zip(names, evidence, strict=True)],
                              indent=1, ensure_ascii=False))  # fmt: skip
        return
    for name, found in zip(names, evidence, strict=True):
        click.echo(name)
        for sentence in found.words:
            click.echo(f"    {sentence}")
