"""``keybench models``: fitted models that ship, what to know of each, and making them."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import Any

import click

from keybench.cli.options import cores, data_option, json_option


@click.group()
def models() -> None:
    """List, describe, measure and fit models that answer at once, without any music to learn from."""


@models.command("list")
@json_option
def list_(as_json: bool) -> None:
    """Show every model that ships: what it hears and says, on what terms, its size, how right it was measured to be."""
    from keybench.models import names
    from keybench.models.card import main_score
    from keybench.models.store import SHIPPED_BYTES, read

    stored = [read(name) for name in names()]
    if as_json:
        click.echo(json.dumps([_as_dict(each) for each in stored], indent=1, ensure_ascii=False))
        return
    table = [("model", "hears", "says", "right", "licence", "commercial use", "bytes")]
    for each in stored:
        card, score = each.card, main_score(each.card)
        says = {"tonic": "home note", "major-minor": "major or minor key", "modes": "home note and mode"}[card.labels]
        table.append((
            card.name, ", ".join(card.hears), says + " over time" * (card.task == "sections"),
            f"{score.value:.3f} of {score.n:,}" if score else "not measured", card.licence, card.commercial_use,
            f"{each.size:,}",
        ))  # fmt: skip
    widths = [max(len(line[i]) for line in table) for i in range(len(table[0]))]
    for line in table:
        click.echo("  ".join(cell.ljust(wide) for cell, wide in zip(line, widths, strict=True)).rstrip())
    total = sum(each.size for each in stored)
    click.echo(f"\n{len(stored)} models, {total:,} of at most {SHIPPED_BYTES:,} bytes. What each is for, what taught "
               "it, and its limits: keybench models describe NAME")  # fmt: skip


@models.command()
@click.argument("model", metavar="NAME")
@json_option
def describe(model: str, as_json: bool) -> None:
    """Show the card of a model: one that ships, by its name, or one's own, by the path of its .json file."""
    from keybench.models.card import in_words
    from keybench.models.store import read

    stored = read(model)
    if as_json:
        click.echo(json.dumps(_as_dict(stored), indent=1, ensure_ascii=False))
    else:
        click.echo(in_words(stored.card, stored.size))


def _as_dict(stored: Any) -> dict[str, Any]:
    return stored.card.as_dict() | {"bytes": stored.size}


_file = click.argument("file", metavar="[FILE]", required=False)
_only = click.option("--only", multiple=True, metavar="NAME", help="Only this model of the file.")
_jobs = click.option(
    "--jobs", type=click.IntRange(min=1), default=None, help="Processes to read with  [default: all cores]"
)
_quiet = click.option("--quiet", is_flag=True, help="Say nothing until the end.")


def _recipes(file: str | None, only: tuple[str, ...]) -> Any:
    from keybench.models.fitting import DEFAULT_FILE, read_recipes

    return read_recipes(Path(file) if file else DEFAULT_FILE, only)


@models.command()
@_file
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the models.")
@click.option("--scores", multiple=True, metavar="RUN_DIR", type=click.Path(path_type=Path),
              help="A run that measured them, or a folder of runs: cards take their figures from it.")  # fmt: skip
@_only
@_jobs
@_quiet
@data_option
def fit(
    file: str | None, out: Path, scores: tuple[Path, ...], only: tuple[str, ...], jobs: int | None, quiet: bool
) -> None:
    """Fit the models that FILE names, on all pieces of their corpora, and save them with their cards.

    FILE is a TOML file of models; by default the one that the shipped models are made from.
    """
    from keybench.models.card import main_score
    from keybench.models.fitting import make

    made = make(_recipes(file, only), out, scores, jobs or cores(), _teller(quiet))
    for each in made:
        score = main_score(each.card)
        pieces = sum(teacher.pieces for teacher in each.card.trained_on)
        right = (
            f"right {score.value:.3f} ({score.low:.3f} to {score.high:.3f}, n = {score.n:,})"
            if score
            else "not measured"
        )
        click.echo(f"{each.path}: {pieces:,} pieces, {each.size:,} bytes, {each.card.licence}; {right}")


@models.command()
@_file
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for a run directory of each model.")
@click.option("--resume", is_flag=True, help="Go on with interrupted runs in the same folder.")
@_only
@_jobs
@_quiet
@data_option
def measure(file: str | None, out: Path, resume: bool, only: tuple[str, ...], jobs: int | None, quiet: bool) -> None:
    """Cross-validate the models that FILE names, each by a run of its own; `fit --scores` takes the figures from them.

    FILE is a TOML file of models; by default the one that the shipped models are made from.
    """
    from keybench.models import fitting

    say = _teller(quiet)
    for recipe in _recipes(file, only):
        say(f"measuring {recipe.name}")
        command = shlex.join(["keybench", *sys.argv[1:]])
        directory, figures = fitting.measure(recipe, out, jobs or cores(), resume, command)
        exact = next(figure for figure in figures if figure.metric == "exact")
        click.echo(f"{directory}: right {exact.value:.3f} ({exact.low:.3f} to {exact.high:.3f}, n = {exact.n:,})")


def _teller(quiet: bool) -> Any:
    return lambda text: None if quiet else click.echo(f"keybench: {text}", err=True)
