"""The label audit, on sixty tunes made for it, of which five have labels that are plainly wrong."""

import json

import numpy as np
import pytest

from keybench import audit as auditing
from keybench.audit import FOLDS, METHODS, audit, scale_fits
from keybench.corpora import load, read_manifest
from keybench.corpora.audits import AUDIT_SCHEMA, LOOK, PLAUSIBLE
from keybench.corpora.audits import fingerprints as piece_marks
from keybench.corpora.grouping import group
from keybench.errors import ExperimentError, ManifestError
from keybench.estimators import make as make_estimator
from keybench.key import N_KEYS, SCALE_STEPS, Key, key_at, parse_key

MODES_MADE = (0, 0, 0, 1, 4, 5, 5)  # mostly major and minor, some Dorian and Mixolydian
WRONG = {3: "F#maj", 17: "Bbmin", 29: "Bmix", 41: "C#dor", 55: "Ebmaj"}
"""Labels that stand instead of the right ones, by number of the tune."""

SPELLED = ("=C", "^C", "=D", "^D", "=E", "=F", "^F", "=G", "^G", "=A", "^A", "=B")


def abc_note(semitones):
    """A note that many semitones above C, with its accidental written out, so that no label changes what sounds."""
    return SPELLED[semitones % 12] + "'" * (semitones // 12)


def true_key(i, rng):
    # The wrong labels are far from what sounds: those tunes are in D major, or what has its notes.
    return Key(2, 0) if i in WRONG else Key(int(rng.integers(12)), MODES_MADE[i % len(MODES_MADE)])


def tune(i):
    """A tune of eight bars: a walk over the scale from the fifth that is drawn home, and ends there."""
    rng = np.random.default_rng(1000 + i)
    key = true_key(i, rng)
    degree = np.cumsum(rng.choice([-2, -1, -1, 1, 1, 2], size=32)) % 7
    degree[::4] = rng.choice([0, 0, 2, 4], size=8)
    degree[[0, 31]] = 4, 0
    notes = [abc_note(int(SCALE_STEPS[key.mode][d]) + key.tonic) for d in degree]
    bars = ["".join(notes[b : b + 4]) + "|" for b in range(0, 32, 4)]
    return key, f"X:{i + 1}\nT:Lamp and Ladder {i}\nM:4/4\nL:1/4\nK:{WRONG.get(i, key.to_abc())}\n{''.join(bars)}\n\n"


def write_corpus(folder, tunes, more=""):
    (folder / "tunes").mkdir(parents=True)
    (folder / "tunes" / "lamp.abc").write_text("".join(tunes), encoding="utf-8")
    (folder / "lamps.toml").write_text(f'{more}[origin]\nfolder = "tunes"\n[reader]\nformat = "abc"\n')
    return str(folder / "lamps.toml")


@pytest.fixture(autouse=True, scope="module")
def _own_cache(tmp_path_factory):
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setenv("KEYBENCH_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="module")
def corpus(tmp_path_factory):
    return load(write_corpus(tmp_path_factory.mktemp("lamps"), [tune(i)[1] for i in range(60)]))


@pytest.fixture(scope="module")
def rows(corpus):
    return audit(corpus)


def piece(i):
    return f"lamps:lamp/{i + 1}"


# --- What is flagged -------------------------------------------------------------------------------------------------


def test_the_tunes_are_what_they_were_made_to_be(corpus):
    assert corpus.pieces.tolist() == [piece(i) for i in range(60)]
    assert not corpus.problems
    for i in range(60):
        key, _ = tune(i)
        heard = set((corpus.notes[i].pitch.astype(int) % 12).tolist())
        assert heard <= set(key.scale().tolist())
        written = key_at(int(12 * corpus.mode[i] + corpus.tonic[i]))
        assert (written == key) == (i not in WRONG)


def test_wrong_labels_are_flagged_and_right_ones_are_not(rows):
    assert {row.piece for row in rows if row.look} == {piece(i) for i in WRONG}


def test_the_least_plausible_come_first(rows):
    assert {row.piece for row in rows[: len(WRONG)]} == {piece(i) for i in WRONG}
    order = [(-len(row.flags), row.probability) for row in rows]
    assert order == sorted(order)
    assert len(rows) == len({row.piece for row in rows}) == 60


def test_what_is_said_of_a_wrong_label(rows):
    by_piece = {row.piece: row for row in rows}
    for i, label in WRONG.items():
        row = by_piece[piece(i)]
        assert parse_key(row.label).to_abc() == label
        assert row.flags == ("does not end on its home note", "another scale fits better", "no method agrees")
        assert (row.ends_on_home, row.agreeing, row.look) == (False, (), True)
        assert row.best_fit == 1.0
        assert row.scale_fit < 0.7
        assert row.probability < 0.05


def test_what_is_said_of_a_right_one(rows):
    for row in rows:
        if row.piece in {piece(i) for i in WRONG}:
            continue
        assert row.ends_on_home is True
        assert row.scale_fit == row.best_fit == 1.0
        assert row.label == row.accepted
        assert set(row.agreeing) <= set(METHODS)
        assert not row.look
        assert row.flags in ((), ("no method agrees",))
        assert bool(row.flags) == (not row.agreeing)


def test_twice_is_the_same_and_more_at_a_time_too(corpus, rows):
    assert audit(corpus, n_jobs=2) == rows


def test_rows_can_be_written_as_json(rows):
    stored = json.loads(json.dumps(auditing.as_dicts(rows)))
    assert stored[0]["piece"] == rows[0].piece
    assert set(stored[0]) == set(auditing.Audited.__dataclass_fields__)


def test_scale_fits_are_those_of_plain_loops(corpus):
    fits = scale_fits(corpus)
    assert fits.shape == (60, N_KEYS)
    for i in (0, 3, 30):
        one = corpus.notes[i]
        for k in range(0, N_KEYS, 5):
            inside = sum(
                d for p, d in zip(one.pitch, one.duration, strict=True) if int(p) % 12 in key_at(k).scale().tolist()
            )
            assert fits[i, k] == pytest.approx(inside / one.duration.sum())


# --- Who is asked ----------------------------------------------------------------------------------------------------


def fingerprints(table):
    return [(tuple(p.onset), tuple(p.pitch)) for p in table.pieces()]


@pytest.mark.parametrize("seed", [0, 1])
def test_no_method_has_learnt_from_the_piece_or_its_kin(tmp_path, monkeypatch, seed):
    tunes = [tune(i)[1] for i in range(60)]
    for i in range(0, 60, 6):  # kin by title, though the notes differ
        tunes[i + 1] = tunes[i + 1].replace(f"Ladder {i + 1}", f"Ladder {i}")
    corpus = load(write_corpus(tmp_path / "kin", tunes))
    groups = group(corpus.variant_keys)
    assert len(set(groups.tolist())) == 50
    row_of = {mark: i for i, mark in enumerate(fingerprints(corpus.notes))}
    assert len(row_of) == 60
    asked = []

    def recording(name):
        model = make_estimator(name)
        fit, answer = model.fit, model.predict_log_proba
        learnt = []

        def record_fit(X, y=None, groups=None):
            learnt[:] = [row_of[mark] for mark in fingerprints(X)]
            assert np.array_equal(y, corpus.truth[learnt])
            assert np.array_equal(groups, group(corpus.variant_keys)[learnt])
            fit(X, y, groups=groups)
            return model

        def record_answer(X):
            asked.append((name, list(learnt), [row_of[mark] for mark in fingerprints(X)]))
            return answer(X)

        model.fit, model.predict_log_proba = record_fit, record_answer
        return model

    monkeypatch.setattr(auditing, "make", recording)
    assert len(audit(corpus, seed=seed)) == 60
    assert len(asked) == len(METHODS) * FOLDS
    for name in METHODS:
        judged = [row for method, _, test in asked if method == name for row in test]
        assert sorted(judged) == list(range(60))
    for _, learnt, test in asked:
        assert not set(groups[learnt].tolist()) & set(groups[test].tolist())
        assert len(learnt) + len(test) == 60


def test_agreement_and_probability_are_those_of_the_answers(corpus, monkeypatch):
    """Three methods that are sure of C major and one, the last, that is sure of A major."""

    class Fixed:
        def __init__(self, name):
            self.name = name

        def fit(self, X, y=None, groups=None):
            return self

        def predict_log_proba(self, X):
            log_proba = np.full((len(X), N_KEYS), np.log(0.3 / (N_KEYS - 1)))
            log_proba[:, parse_key("A major").index if self.name == METHODS[-1] else 0] = np.log(0.7)
            return log_proba

    monkeypatch.setattr(auditing, "make", Fixed)
    found = audit(corpus)
    assert {"A major", "C major"} <= {row.label for row in found}
    for row in found:
        expected = {
            "A major": (METHODS[-1],),
            "C major": METHODS[:-1],
        }.get(row.label, ())
        assert row.agreeing == expected
        assert row.probability == pytest.approx(0.7 if row.label == "A major" else 0.3 / 83, abs=1e-4)
        assert ("no method agrees" in row.flags) == (not expected)


def test_answers_are_compared_in_the_space_of_the_labels(corpus, monkeypatch):
    class Parallel:
        """Names the minor key on every home note of C."""

        def __init__(self, name):
            pass

        def fit(self, X, y=None, groups=None):
            return self

        def predict_log_proba(self, X):
            log_proba = np.full((len(X), N_KEYS), np.log(0.1 / (N_KEYS - 1)))
            log_proba[:, parse_key("C minor").index] = np.log(0.9)
            return log_proba

    monkeypatch.setattr(auditing, "make", Parallel)
    on_c = {row.piece for row in audit(corpus, "modes") if row.label.startswith("C ")}
    assert on_c
    agreeing = {
        labels: {row.label for row in audit(corpus, labels) if row.agreeing}
        for labels in ("modes", "major-minor", "tonic")
    }
    assert agreeing["modes"] <= {"C minor"}
    assert agreeing["major-minor"] <= {"C minor", "C Dorian"}
    assert agreeing["tonic"] == {row.label for row in audit(corpus, "tonic") if row.piece in on_c}
    assert len(agreeing["modes"]) <= len(agreeing["major-minor"]) < len(agreeing["tonic"])


# --- Odd corpora -----------------------------------------------------------------------------------------------------


def test_labels_of_home_notes_alone(tmp_path):
    policy = '[labels]\nspace = "tonic"\n'
    folder = tmp_path / "tonic"
    path = write_corpus(folder, [tune(i)[1] for i in range(60)])
    (folder / "lamps.toml").write_text((folder / "lamps.toml").read_text() + policy)
    corpus = load(path)
    found = {row.piece: row for row in audit(corpus, read_manifest(path).label_space)}
    assert found[piece(3)].accepted == "any mode on F-sharp"
    assert found[piece(3)].label == "F-sharp"
    assert found[piece(3)].look
    assert {name for name, row in found.items() if row.look} == {piece(i) for i in WRONG}


def test_a_tune_without_notes_is_no_stumbling_block(tmp_path):
    tunes = [tune(i)[1] for i in range(30)] + ["X:99\nT:Silence\nM:4/4\nL:1/4\nK:G\n\n"]
    corpus = load(write_corpus(tmp_path / "silent", tunes))
    (row,) = [row for row in audit(corpus) if row.piece == "lamps:lamp/99"]
    assert (row.ends_on_home, row.scale_fit, row.best_fit) == (None, 0.0, 0.0)
    assert "does not end on its home note" not in row.flags
    assert not row.look


def test_too_few_tunes_are_refused_in_one_line(tmp_path):
    corpus = load(write_corpus(tmp_path / "few", [tune(i)[1] for i in range(FOLDS - 1)]))
    with pytest.raises(ExperimentError) as caught:
        audit(corpus)
    assert str(caught.value) == (
        "lamps: 4 groups of related pieces; an audit holds out folds and needs at least 5"
    )  # fmt: skip


def test_an_empty_corpus_is_refused(tmp_path):
    corpus = load(write_corpus(tmp_path / "none", ["X:1\nT:No key\nL:1/4\nCDEF|\n\n"]))
    with pytest.raises(ExperimentError, match="0 groups"):
        audit(corpus)


# --- What is kept ----------------------------------------------------------------------------------------------------


@pytest.fixture
def kept(tmp_path, corpus, rows):
    """A copy of the corpus with its audit kept beside it: the manifest's path and the audit's."""
    path = write_corpus(tmp_path / "kept", [tune(i)[1] for i in range(60)])
    file = read_manifest(path).base / "audits" / "lamps.json"
    auditing.save(file, corpus, rows)
    return path, file


def strata_of(corpus):
    return {str(name): kinds for name, kinds in zip(corpus.pieces, corpus.strata, strict=True)}


def test_what_is_kept(kept, corpus):
    stored = json.loads(kept[1].read_text(encoding="utf-8"))
    assert stored == {
        "schema": AUDIT_SCHEMA,
        "corpus": "lamps",
        "pieces": dict(zip(map(str, corpus.pieces), piece_marks(corpus), strict=True)),
        "methods": list(METHODS),
        "look": stored["look"],
    }
    assert set(stored["look"]) == {piece(i) for i in WRONG}
    assert all(len(flags) >= 2 for flags in stored["look"].values())


def test_an_audit_gives_strata_and_changes_nothing_else(kept, corpus):
    plain = {name: np.array(getattr(corpus, name)) for name in ("truth", "tonic", "mode", "pieces")}
    audited = load(kept[0])
    assert strata_of(audited) == {piece(i): (LOOK if i in WRONG else PLAUSIBLE,) for i in range(60)}
    for name, before in plain.items():
        np.testing.assert_array_equal(getattr(audited, name), before)
    np.testing.assert_array_equal(audited.notes.pitch, corpus.notes.pitch)
    assert (audited.content_hash, audited.variant_keys) == (corpus.content_hash, corpus.variant_keys)


def test_auditing_changes_no_truth(corpus):
    names = ("truth", "tonic", "mode", "pieces")
    before = {name: np.array(getattr(corpus, name)) for name in names}
    audit(corpus)
    for name in names:
        np.testing.assert_array_equal(getattr(corpus, name), before[name])
    assert corpus.strata == [()] * 60
    for i, label in WRONG.items():
        (written,) = np.flatnonzero(corpus.truth[i])
        assert key_at(int(written)).to_abc() == label


def test_an_audit_holds_for_the_pieces_that_it_was_made_of(kept):
    path, _ = kept
    tunes = read_manifest(path).base / "tunes" / "lamp.abc"
    text = tunes.read_text(encoding="utf-8")
    tunes.write_text(text.replace("X:1\n", "X:1\nN:looked at\n", 1), encoding="utf-8")
    assert set(load(path).strata) == {(LOOK,), (PLAUSIBLE,)}, "a remark in the file changes no piece"
    first, rest = text.split("X:2\n", 1)
    tunes.write_text(first.replace("|", "c|", 1) + "X:2\n" + rest, encoding="utf-8")
    strata = load(path).strata
    assert [kinds for kinds in strata if not kinds] == [()], "the changed piece is not audited, all others are"
    tunes.write_text(text, encoding="utf-8")
    (tunes.parent / "more.abc").write_text(tune(3)[1], encoding="utf-8")
    assert sum(not kinds for kinds in load(path).strata) == 1, "nor is a new one"


def test_an_audit_of_another_schema_is_ignored(kept):
    path, file = kept
    file.write_text(json.dumps(json.loads(file.read_text()) | {"schema": AUDIT_SCHEMA + 1}))
    assert set(load(path).strata) == {()}


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"\xff\xfe\x00",
        b"[]",
        b"7",
        b"null",
        b'"audit"',
        b"{}",
        b'{"schema": 1}',
        b'{"schema": 1, "pieces": {}}',
        b'{"schema": 1, "pieces": {}, "look": 5}',
        b'{"schema": 1, "pieces": {}, "look": null}',
        b'{"schema": 1, "pieces": {}, "look": [[1]]}',
        b"[" * 100_000,
        b'{"schema": 1, "pieces": ' + b"9" * 5000 + b', "look": {}}',
    ],
    ids=lambda content: content[:30].decode(errors="replace"),
)
def test_a_damaged_audit_is_named(kept, content):
    path, file = kept
    file.write_bytes(content)
    for _ in range(2):  # read from the files, and from the cache
        with pytest.raises(ManifestError) as caught:
            load(path)
        text = str(caught.value)
        assert text.startswith(f"{file}: not an audit (")
        assert "keybench corpora audit" in text
        assert "\n" not in text
        assert len(text) < 500 + len(str(file))


def test_a_folder_in_the_place_of_an_audit_is_named(kept):
    path, file = kept
    file.unlink()
    file.mkdir()
    with pytest.raises(ManifestError, match="not an audit"):
        load(path)


def test_an_audit_in_the_place_of_a_folder_is_named(kept):
    path, file = kept
    file.unlink()
    file.parent.rmdir()
    file.parent.write_text("x")
    with pytest.raises(ManifestError, match="not an audit"):
        load(path)
