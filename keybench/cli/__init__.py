"""The command line."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Any

import click

from keybench import __version__
from keybench.cli.corpora import corpora
from keybench.cli.explain import explain
from keybench.cli.models import models
from keybench.cli.options import cores, data_option
from keybench.errors import KeybenchError

DEFAULT_EXPERIMENT = "folk-tunes"


class _Group(click.Group):
    """Turn errors that a person can cause into one line, and an interruption into advice."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except KeybenchError as error:
            click.echo(f"keybench: {' '.join(str(error).split())}", err=True)  # one line, whatever a library said
            sys.exit(2)
        except BrokenPipeError:  # the reader of a pipe has seen enough; click ends quietly
            raise
        except OSError as error:  # no room, no permission, a directory taken away
            where = error.filename or "a file"
            click.echo(f"keybench: {where}: {error.strerror or error}; check the place and its permissions", err=True)
            sys.exit(2)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="keybench")
def main() -> None:
    """Measure which key-estimation method is right, on what music, how sure of itself, and at what cost."""


main.add_command(corpora)
main.add_command(explain)
main.add_command(models)


@main.command()
@click.argument("experiment", default=DEFAULT_EXPERIMENT)
@click.option("--manifest", "own", multiple=True, metavar="FILE",
              help="A manifest of your own: its music takes the place of the experiment's.")  # fmt: skip
@data_option
@click.option("--out", type=click.Path(path_type=Path), help="Run directory  [default: keybench-runs/EXPERIMENT]")
@click.option("--jobs", type=click.IntRange(min=1), default=None, help="Tasks at a time  [default: all cores]")
@click.option("--limit", type=click.IntRange(min=1), default=None, help="Use only about N pieces: a trial.")
@click.option("--resume", is_flag=True, help="Go on with an interrupted run in the same directory.")
@click.option("--costs", "with_costs", is_flag=True, help="Also measure memory, size, and what a start takes.")
@click.option("--quiet", is_flag=True, help="No progress bars.")
def run(
    experiment: str,
    own: tuple[str, ...],
    out: Path | None,
    jobs: int | None,
    limit: int | None,
    resume: bool,
    with_costs: bool,
    quiet: bool,
) -> None:
    """Run an experiment file, print a ranked table and write the report.

    EXPERIMENT is a TOML file or the name of one that ships with keybench.
    """
    from keybench import costs
    from keybench.report.build import build
    from keybench.runs.runner import run as run_experiment
    from keybench.runs.spec import experiment_path, read_experiment

    asked = read_experiment(experiment_path(experiment), own)
    directory = out or Path("keybench-runs") / "-".join([asked.name, *(Path(name).stem for name in own)])
    command = shlex.join(["keybench", *sys.argv[1:]])
    with _Bars(quiet) as bars:
        try:
            run_experiment(asked, directory, jobs or cores(), limit, resume, command, bars.steps())
            if with_costs:
                costs.measure_run(asked, directory, limit, bars.steps())
        except KeyboardInterrupt:
            bars.close()
            click.echo(
                f"\nkeybench: interrupted; what is finished is kept. Go on with: {command}"
                + ("" if resume else " --resume"),
                err=True,
            )
            sys.exit(130)
    _print(build(directory), directory)


@main.command()
@click.argument("run_directory", type=click.Path(path_type=Path))
def report(run_directory: Path) -> None:
    """Make scores and report of a finished run again from its stored predictions."""
    from keybench.report.build import build

    _print(build(run_directory), run_directory)


@main.command()
@click.option("--baseline", required=True, type=click.Path(path_type=Path), help="Run directory to compare with.")
@click.option("--candidate", required=True, type=click.Path(path_type=Path), help="Run directory to judge.")
@click.option("--tolerance", type=click.FloatRange(0, 1), default=0.005, show_default=True,
              help="Fall in the share of right answers that is let pass.")  # fmt: skip
def check(baseline: Path, candidate: Path, tolerance: float) -> None:
    """Say whether a run got worse than a baseline.

    Exit codes: 0 no worse, 1 worse, 2 wrong usage or runs that cannot be compared, 3 nothing was measured.
    """
    from keybench.check import compare

    verdict = compare(baseline, candidate, tolerance)
    for line in verdict.lines:
        click.echo(line)
    sys.exit(verdict.exit_code)


@main.command()
def methods() -> None:
    """List the methods, each with one plain line and its source."""
    from keybench.estimators import entry, names

    for name in names():
        known = entry(name)
        click.echo(f"{name}\n    {known.description}\n    Source: {known.source}")


class _Bars:
    """Progress bars on standard error, one stage after the other."""

    def __init__(self, quiet: bool):
        self._quiet = quiet
        self._bar: Any = None

    def __enter__(self) -> _Bars:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def close(self) -> None:
        """Finish the bar that is shown."""
        if self._bar is not None:
            self._bar.close()
            self._bar = None

    def steps(self) -> Any:
        """Return the callbacks that a run reports to."""
        from tqdm import tqdm

        from keybench.runs.material import Steps

        pause = 0.1 if sys.stderr.isatty() else 5.0  # seconds between redraws; a log wants few

        def begin(stage: str, total: int) -> None:
            self.close()
            self._bar = tqdm(
                total=total, desc=stage, disable=self._quiet, leave=False, file=sys.stderr, mininterval=pause
            )

        def move(n: int) -> None:
            if self._bar is not None:
                self._bar.update(n)

        return Steps(begin, move, lambda text: click.echo(f"keybench: {text}", err=True))


def _or_dash(e: Any) -> str:
    return f"{e.value:.3f}" if e.n else "-"


def _print(made: Any, directory: Path) -> None:
    """Print the ranked table, the recommendation and where the files are."""
    scores = made.scores["all"]
    experiment = made.run["experiment"]
    n = scores[made.ranking[0]]["exact"].n
    wide = max(len(name) for name in made.ranking)
    click.echo(f"{experiment['name']}: {n:,} pieces in {made.groups:,} groups, {made.split}")
    if len(made.conditions) > 1:
        click.echo(f"First of {len(made.conditions)} conditions: {made.condition.view}, learnt from "
                   f"{made.condition.fitted_on}; the report has all.")  # fmt: skip
    if experiment["task"] == "sections":
        click.echo("Keys over time: shares are shares of the labelled time, averaged over pieces.")
    if made.secondary:
        click.echo("Secondary truth: these numbers are no headline.")
    click.echo(f"\n    {'method':<{wide}}  right  95 % interval  home note  mean of modes  log-loss  ms/piece  failed")
    for rank, name in enumerate(made.ranking, 1):
        s = scores[name]
        exact, modes, cost = s["exact"], s["mean_mode_recall"], s["ms_per_piece"]
        click.echo(
            f"{rank:>3} {name:<{wide}}  {exact.value:.3f}  {exact.low:.3f} - {exact.high:.3f}  {s['tonic'].value:9.3f}"
            f"  {_or_dash(modes):>13}  {_or_dash(s['log_loss']):>8}"
            f"  {_or_dash(cost):>8}  {int(s['failures'].value):6d}"
        )
    for name, where in made.contaminated.items():
        click.echo(f"    {name}: made from music of {', '.join(where)}; its figures there are contaminated")
    click.echo()
    for sentence in made.recommendation.words:
        click.echo(sentence)
    left_out = sum(len(corpus["left_out"]) for corpus in made.run["corpora"])
    if left_out:
        click.echo(f"\nLeft out, since no key label could be read: {left_out}; the report says which and why.")
    unreadable = sum(len(corpus["unreadable"]) for corpus in made.run["corpora"])
    if unreadable:
        click.echo(f"Labelled but unreadable, and counted as wrong: {unreadable}; the report says which and why.")
    click.echo(f"\nReport: {directory / 'index.html'}")
