"""A small experiment of our own, run through the real command line."""

import pytest
from click.testing import CliRunner

from keybench.cli import main
from keybench.resources import shipped


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("KEYBENCH_CACHE", str(tmp_path_factory.mktemp("cache")))


@pytest.fixture
def keybench(tmp_path, monkeypatch):
    """Call the command line in a temporary directory; the result has exit_code, stdout, stderr."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments):
        result = CliRunner().invoke(main, [str(argument) for argument in arguments])
        crashed = result.exception is not None and not isinstance(result.exception, SystemExit)
        assert not crashed, f"traceback: {result.exception!r}"
        return result

    return call


@pytest.fixture
def write_experiment(tmp_path):
    """Write an experiment file on the tunes of Lantern Bay; lines given replace or join the usual ones."""

    def write(name="trial", estimators='["opening-note", "krumhansl-kessler-modes"]', corpora=None, more=""):
        demo = shipped("experiments") / "demo" / "lantern-bay.toml"
        text = (
            f'schema = 1\nname = "{name}"\nquestion = "Which?"\ncorpora = {corpora or f"""["{demo}"]"""}\n'
            f"estimators = {estimators}\n{more}\n[split]\nfolds = 3\n"
        )
        path = tmp_path / f"{name}.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write
