"""``keybench explain`` on a tune of our own, and on what it cannot be asked about."""

import json

import pytest

TUNE = "X:1\nT:Harbour gate\nL:1/4\nM:4/4\nK:Ddor\nA|DEFA|BAGF|dcBA|GED2|AcAG|FED2|]\n"


@pytest.fixture
def tune(tmp_path):
    path = tmp_path / "gate.abc"
    path.write_text(TUNE)
    return path


def test_words(keybench, tune):
    result = keybench("explain", tune, "--model", "chant")
    assert result.exit_code == 0
    assert result.stdout.startswith("gate.abc\n")
    assert "Most probable: D Dorian" in result.stdout
    assert "opens on A (the fifth) and ends on D (the home note)" in result.stdout


def test_data(keybench, tune):
    (piece,) = json.loads(keybench("explain", tune, "--model", "chant", "--json").stdout)
    assert piece["piece"] == "gate.abc"
    assert piece["words"]


def test_the_title_and_the_written_key_are_not_heard(keybench, tune, tmp_path):
    other = tmp_path / "other.abc"
    other.write_text(TUNE.replace("T:Harbour gate", "T:Gate in F major").replace("K:Ddor", "K:Am"))
    said, again = (keybench("explain", path, "--model", "chant").stdout.split("\n", 1)[1] for path in (tune, other))
    assert said == again


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["gate.abc", "--model", "nobody"], "no such model; accepted: "),
        (["gate.abc", "--model", "recording"], "accepted: a model that hears notes"),
        (["gone.abc", "--model", "chant"], "accepted: a file that exists"),
        (["gate.wav", "--model", "chant"], "unknown kind of file '.wav'; accepted: .abc"),
    ],
)
def test_what_it_cannot_be_asked(keybench, tune, arguments, says):
    result = keybench("explain", *arguments)
    assert result.exit_code == 2
    assert says in result.stderr
    assert result.stderr.count("\n") == 1


def test_an_empty_tune_gets_no_sure_answer(keybench, tmp_path):
    (tmp_path / "rest.abc").write_text("X:1\nL:1/4\nM:4/4\nK:C\nz4|z4|]\n")
    result = keybench("explain", tmp_path / "rest.abc", "--model", "chant")
    if result.exit_code:  # a file without notes may be refused, in one line
        assert result.stderr.count("\n") == 1
    else:
        assert "not sure" in result.stdout.lower() or "no notes" in result.stdout.lower()
