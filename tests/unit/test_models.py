"""Models on disk: what was fitted comes back as it was, what was damaged does not come back, and terms are kept."""

import io
import json
import time
import zipfile
from dataclasses import replace

import numpy as np
import pytest
from sklearn.base import clone

from keybench import models
from keybench.both import BothTable
from keybench.chroma import ChromaTable
from keybench.corpora import manifest_names, read_manifest
from keybench.errors import KeybenchError, ModelError
from keybench.estimators import Tags, entry, make, names
from keybench.estimators.base import KeyEstimator
from keybench.estimators.checks import small_corpus
from keybench.models import fitting, selfcheck, store
from keybench.models.card import Card, Measured, Teacher, cautions, in_words, read_card
from keybench.models.encode import decode, encode
from keybench.models.terms import terms_of
from keybench.notes import NoteTable

CARD = {"name": "trial", "what_for": "Trying things out."}


def as_chroma(notes):
    """Frames of a quarter, the lower notes of each piece in the bass."""
    pieces = []
    for piece in notes.pieces():
        time_ = np.arange(0.0, float(np.max(piece.onset + piece.duration)))
        frames = [np.full((len(time_), 12), 0.01), np.full((len(time_), 12), 0.01)]
        for onset, pitch in zip(piece.onset, piece.pitch, strict=True):
            frames[int(pitch >= 64)][int(onset), int(pitch) % 12] += 1.0
        pieces.append((time_, *frames))
    return ChromaTable.from_frames(pieces)


def shown_to(model, notes):
    if model.tags.takes == "chroma":
        return as_chroma(notes)
    return BothTable(notes, as_chroma(notes)) if model.tags.takes == "both" else notes


def fitted(name="logistic", **params):
    model = make(name, **params)
    notes, truth, groups = small_corpus()
    return model.fit(shown_to(model, notes), truth, groups=groups)


@pytest.fixture
def saved(tmp_path):
    """A saved model and its two files."""
    path = models.save(fitted("hmm"), tmp_path / "trial.json", CARD)
    return path, path.with_suffix(".npz")


def fails(path, *parts):
    with pytest.raises(ModelError) as caught:
        models.load(path)
    text = str(caught.value)
    assert "\n" not in text
    for part in parts:
        assert part in text, text


def rewrite(path, change):
    """Change a JSON file and its checksum, so that what is wrong must be found by itself."""
    whole = json.loads(path.read_text(encoding="utf-8"))
    change(whole)
    path.write_text(json.dumps(store.sealed(whole)), encoding="utf-8")


def with_arrays(path, change):
    """Change the arrays, and all that the JSON file says of them, so that only their content is wrong."""
    import hashlib

    npz = path.with_suffix(".npz")
    with np.load(npz) as opened:
        arrays = dict(opened)
    change(arrays)
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    npz.write_bytes(buffer.getvalue())

    def describe(whole):
        whole["arrays"]["sha256"] = hashlib.sha256(buffer.getvalue()).hexdigest()
        whole["arrays"]["contents"] = {
            name: {"dtype": store._dtype(array), "shape": list(array.shape)} for name, array in arrays.items()
        }

    rewrite(path, describe)


@pytest.mark.parametrize("name", names())
def test_every_method_comes_back_as_it_was(name, tmp_path):
    model = fitted(name)
    loaded = models.load(models.save(model, tmp_path / "one", CARD, use=name))
    assert type(loaded) is type(model)
    assert repr(loaded.get_params(deep=False)) == repr(model.get_params(deep=False))
    music = shown_to(model, small_corpus(30, seed=1)[0])
    assert np.array_equal(loaded.predict_log_proba(music), model.predict_log_proba(music))
    if model.tags.segment:
        assert loaded.segment(music) == model.segment(music)
    assert store.read(tmp_path / "one.json").card.use == name


def test_the_name_of_a_method_is_found_by_its_parameters():
    assert encode(fitted("last-note"))[0]["estimator"] == "last-note"
    assert encode(fitted("temperley-2007-modes"))[0]["estimator"] == "temperley-2007-modes"
    assert encode(fitted("logistic", l2=3.0))[0]["estimator"] == "logistic"


def test_variants_of_one_fit_come_back_with_their_own_decision(tmp_path):
    natural = fitted("logistic")
    balanced = clone(natural).set_params(decision="mode-balanced")
    for name, value in vars(natural).items():
        if name.endswith("_"):
            setattr(balanced, name, value)
    notes = small_corpus(60, seed=4)[0]
    loaded = models.load(models.save(balanced, tmp_path / "b", CARD))
    assert np.array_equal(loaded.predict_log_proba(notes), balanced.predict_log_proba(notes))
    assert loaded.decision == "mode-balanced"


class Holder(KeyEstimator):
    """Answers alike to everything, and holds what it is given."""

    tags = Tags(takes="any", equivariant=False)

    def __init__(self, held=None):
        self.held = held

    def fit(self, X, y=None, groups=None):
        self.held_ = self.held
        return self

    def predict_log_proba(self, X):
        return np.full((len(X), 84), -np.log(84.0))


@pytest.fixture
def holder(monkeypatch):
    """Register `Holder` for one test."""
    from keybench import estimators

    monkeypatch.setitem(estimators._REGISTRY, "holder", replace(entry("hmm"), name="holder", make=Holder))


def same(a, b):
    if isinstance(a, np.ndarray | np.generic):
        return type(a) is type(b) and a.dtype == b.dtype and np.array_equal(a, b)
    if isinstance(a, KeyEstimator):
        return type(a) is type(b) and all(same(v, vars(b)[k]) for k, v in vars(a).items() if not k.startswith("_"))
    if isinstance(a, list | tuple):
        return type(a) is type(b) and len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, dict):
        return list(a) == list(b) and all(same(v, b[k]) for k, v in a.items())
    return type(a) is type(b) and a == b


VALUES = [
    None, True, 3, -2.5, float("inf"), "G Dorian", "", [], (), {}, [1, [2.5, "x"], None], (1, (2,)),
    {"a": 1, 2: [3], ("b", 1): {"c": None}},
    {"array": "not a name"},
    np.float32(0.1), np.float64(0.1), np.int64(7), np.bool_(True), np.str_("tune"),
    np.arange(6, dtype=np.int8).reshape(2, 3), np.zeros((0, 12)), np.array(3.5), np.array(["first", "last"]),
    np.asfortranarray(np.arange(6.0).reshape(2, 3)), np.array([-np.inf, 0.0]), np.array([True, False]),
    np.array([(1, 0.5), (2, np.inf)], dtype=[("feature", "<i4"), ("threshold", "<f8")]),
    [np.arange(3), {"x": np.ones(2, np.float32)}],
]  # fmt: skip


@pytest.mark.parametrize("value", VALUES, ids=lambda value: f"{type(value).__name__} {value!r}"[:40])
def test_every_kind_of_value_comes_back_as_it_was(holder, tmp_path, value):
    loaded = models.load(models.save(Holder(value).fit(None), tmp_path / "h", CARD))
    assert same(loaded.held_, value)
    assert same(loaded.held, value)


def test_the_order_of_an_array_in_memory_comes_back(holder, tmp_path):
    loaded = models.load(models.save(Holder(np.asfortranarray(np.ones((3, 4)))).fit(None), tmp_path / "h", CARD))
    assert loaded.held_.flags.f_contiguous
    assert not loaded.held_.flags.c_contiguous


def test_estimators_inside_estimators_come_back(holder, tmp_path):
    inner = {"members": [fitted("hmm"), Holder([fitted("last-note")]).fit(None)], "unfitted": make("logistic", l2=2.0)}
    loaded = models.load(models.save(Holder(inner).fit(None), tmp_path / "h", CARD)).held_
    notes = small_corpus(10, seed=3)[0]
    for before, after in zip(inner["members"], loaded["members"], strict=True):
        assert np.array_equal(before.predict_log_proba(notes), after.predict_log_proba(notes))
    assert same(inner["members"][1].held_[0], loaded["members"][1].held_[0])
    assert loaded["unfitted"].l2 == 2.0
    assert not loaded["unfitted"].__sklearn_is_fitted__()


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (float("nan"), "holds NaN"),
        (np.array([0.0, np.nan]), "holds NaN"),
        (np.array([(1, np.nan)], dtype=[("a", "i4"), ("b", "f4")]), "holds NaN"),
        (np.array([None, 1]), "array of object"),
        (np.array([1j]), "array of complex128"),
        ({1, 2}, "a set"),
        (lambda x: x, "a function"),
        ([object()], "a object"),
        (1j, "a complex"),
        (b"bytes", "a bytes"),
    ],
    ids=lambda value: f"{value}"[:20],
)
def test_what_cannot_be_saved_is_named(holder, tmp_path, value, says):
    with pytest.raises(ModelError, match=r"held.* of Holder") as caught:
        models.save(Holder(value).fit(None), tmp_path / "h", CARD)
    assert says in str(caught.value)
    assert "accepted: " in str(caught.value)
    assert not list(tmp_path.iterdir())


def test_a_class_that_is_not_registered_is_refused(tmp_path):
    with pytest.raises(ModelError, match="a Holder is no registered method"):
        models.save(Holder().fit(None), tmp_path / "h", CARD)


def test_what_is_not_fitted_is_refused(tmp_path):
    with pytest.raises(ModelError, match="KeyHMM that is not fitted"):
        models.save(make("hmm"), tmp_path / "h", CARD)
    with pytest.raises(ModelError, match="a dict that is not fitted"):
        models.save({"weights_": 1}, tmp_path / "h", CARD)


@pytest.mark.parametrize(
    ("card", "says"),
    [
        ({"name": "x"}, "'what_for' is missing"),
        ({**CARD, "what_for": " "}, "must not be empty"),
        ({**CARD, "colour": 1}, "unknown field 'colour'"),
        ({**CARD, "labels": "chords"}, "'labels' holds 'chords'"),
        ({**CARD, "scores": [{"metric": "exact"}]}, "'experiment' is missing"),
        ({**CARD, "scores": [7]}, "holds 7"),
        ({**CARD, "limits": {1, 2}}, "cannot be written"),
        ("a model", "cannot be written"),
    ],
)
def test_a_wrong_card_is_named(tmp_path, card, says):
    with pytest.raises(ModelError) as caught:
        models.save(fitted("hmm"), tmp_path / "h", card)
    assert says in str(caught.value)
    assert not list(tmp_path.iterdir())


def test_other_files_are_not_written_over(tmp_path):
    (tmp_path / "a.json").write_text('{"mine": 1}')
    (tmp_path / "b.npz").write_bytes(b"mine")
    (tmp_path / "c.json").write_text("[1")
    for name in "abc":
        with pytest.raises(ModelError, match="no saved model"):
            models.save(fitted("hmm"), tmp_path / name, CARD)
    assert (tmp_path / "a.json").read_text() == '{"mine": 1}'
    path = models.save(fitted("hmm"), tmp_path / "d", CARD)
    rewrite(path, lambda whole: whole.update(schema=0))  # of an older keybench: to be replaced
    models.load(models.save(fitted("hmm"), tmp_path / "d", CARD))


# Damage


@pytest.mark.parametrize("part", ["json", "npz"])
@pytest.mark.parametrize("left", [0.0, 0.3, 0.9])
def test_truncated_files(saved, part, left):
    path = saved[part == "npz"]
    content = path.read_bytes()
    path.write_bytes(content[: int(left * len(content))])
    fails(saved[0], str(path), "accepted")


def test_one_changed_byte_of_the_arrays(saved):
    content = bytearray(saved[1].read_bytes())
    content[len(content) // 2] ^= 1
    saved[1].write_bytes(content)
    fails(saved[0], "damaged, or not the file that belongs to trial.json")


def test_the_arrays_of_another_model(saved, tmp_path):
    other = models.save(fitted("logistic"), tmp_path / "other", CARD)
    saved[1].write_bytes(other.with_suffix(".npz").read_bytes())
    fails(saved[0], "damaged, or not the file")


def test_missing_files(saved):
    saved[1].unlink()
    fails(saved[0], "trial.npz", "cannot be read")
    saved[0].unlink()
    fails(saved[0], "no such model", *models.names())
    fails("nothing", "'nothing': no such model")
    fails("nothing\0", "no such model")


def _set(*place):
    *parents, last, value = place

    def change(whole):
        for name in parents:
            whole = whole[name]
        whole[last] = value

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_set("schema", 99), "schema 99; accepted: 1"),
        (_set("card", None), "part 'card' is missing"),
        (_set("arrays", "contents", None), "'contents' is missing"),
        (_set("arrays", "contents", "log_modes_", {"dtype": "<f8", "shape": [8]}), "is float64 of shape (7,)"),
        (_set("arrays", "contents", "log_modes_", {"dtype": "<f4", "shape": [7]}), "'log_modes_' is float64"),
        (_set("arrays", "contents", "more_", {"dtype": "<f8", "shape": [7]}), "'more_' is missing"),
        (_set("model", "estimator", "magic"), "needs the method 'magic'"),
        (_set("model", "estimator", 3), "describes an estimator wrongly"),
        (_set("model", "estimator", "logistic"), "saved from a KeyHMM, and method 'logistic' is a TiedLogistic"),
        (_set("model", "class", "Other"), "saved from a Other"),
        (_set("model", "params", "colour", 1), "parameters that it does not take"),
        (_set("model", "learned", "predict", 1), "sets 'predict'"),
        (_set("model", "learned", "__class__", 1), "sets '__class__'"),
        (_set("model", "learned", "classes_", 1), "sets 'classes_'"),
        (_set("model", "learned", "sharpness_", float("nan")), "holds NaN"),
        (_set("model", "learned", "sharpness_", {"array": "nowhere"}), "cannot be read"),
        (_set("model", "learned", "sharpness_", {"pickle": "x"}), "cannot be read"),
        (_set("model", "learned", "sharpness_", {"dict": [[[1], 2]]}), "a key that cannot be one"),
        (_set("model", "learned", "sharpness_", {"estimator": "hmm"}), "no estimator where one should be"),
        (_set("model", "learned", "sharpness_", 1000.0), "answers a test piece otherwise"),
        (_set("model", "learned", "sharpness_", "sharp"), "cannot answer a test piece"),
        (_set("model", "learned", {}), "cannot answer a test piece (NotFittedError"),
        (_set("card", "name", 3), "[card]: field 'name' is 3"),
    ],
)  # fmt: skip
def test_a_tampered_file(saved, change, says):
    rewrite(saved[0], change)
    fails(saved[0], "trial", says)


@pytest.mark.parametrize("text", ["", "[", "[]", "7", '{"schema": 1}', "{}", "[" * 100_000, "\x00"])
def test_a_file_that_is_no_model(saved, text):
    saved[0].write_text(text)
    fails(saved[0], "trial.json", "accepted")


def test_a_figure_changed_by_hand(saved):
    text = saved[0].read_text(encoding="utf-8")
    saved[0].write_text(text.replace("Trying things out.", "The best of all."), encoding="utf-8")
    fails(saved[0], "damaged, or changed by hand")
    with pytest.raises(ModelError, match="changed by hand"):
        models.describe(saved[0])


def test_arrays_with_wrong_content(saved):
    def poison(arrays):
        arrays["log_bass_"][0, 0] = np.nan

    with_arrays(saved[0], poison)
    fails(saved[0], "'log_bass_' holds NaN")
    with_arrays(saved[0], lambda arrays: arrays.update(log_bass_=np.zeros_like(arrays["log_bass_"])))
    fails(saved[0], "answers a test piece otherwise")
    with_arrays(saved[0], lambda arrays: arrays.update(log_bass_=np.zeros((7, 11))))
    fails(saved[0], "cannot answer a test piece")
    with_arrays(saved[0], lambda arrays: arrays.pop("check:notes"))
    fails(saved[0], "keeps no answers to test pieces")


def test_pickled_arrays_are_never_opened(saved):
    class Trap:
        def __reduce__(self):
            return (pytest.fail, ("a pickle was opened",))

    with_arrays(saved[0], lambda arrays: arrays.update(log_bass_=np.array([Trap()], dtype=object)))
    fails(saved[0], "cannot be read", "allow_pickle")


def test_an_archive_that_unpacks_to_more_than_it_may(saved, monkeypatch):
    monkeypatch.setattr(store, "_LARGEST", 1000)
    fails(saved[0], "more than 1,000 bytes")


def test_no_random_damage_passes_unnoticed(saved):
    """One character of the JSON exchanged at random: refused, unless the content is the same."""
    path, good = saved[0], saved[0].read_text(encoding="utf-8")
    rng = np.random.default_rng(0)
    for _ in range(200):
        i, sign = int(rng.integers(len(good))), chr(int(rng.integers(32, 127)))
        path.write_text(good[:i] + sign + good[i + 1 :], encoding="utf-8")
        if good[i] not in (sign, "\n", " "):
            fails(path, "trial.json", "accepted")


def test_damage_with_a_matching_checksum_is_an_error_of_ours_or_harmless(saved):
    path, good = saved[0], saved[0].read_text(encoding="utf-8")
    notes = small_corpus(5, seed=8)[0]
    expected = np.exp(models.load(path).predict_log_proba(notes))
    start = good.index('"model"')
    rng = np.random.default_rng(1)
    refused = 0
    for _ in range(100):
        i, sign = int(rng.integers(start, len(good))), chr(int(rng.integers(32, 127)))
        try:
            whole = json.loads(good[:i] + sign + good[i + 1 :])
        except ValueError:
            continue
        path.write_text(json.dumps(store.sealed(whole)), encoding="utf-8")
        try:
            answer = models.load(path).predict_log_proba(notes)
        except KeybenchError:
            refused += 1
        else:
            assert np.abs(np.exp(answer) - expected).max() < 0.1
    assert refused > 20


# Terms


def stated(name, **changes):
    return replace(read_manifest(name), **changes)


def test_which_corpora_may_teach_a_model_that_is_passed_on():
    """As the manifests state it; a corpus that says nothing may not."""
    manifests = [read_manifest(name) for name in manifest_names()]
    silent = [manifest for manifest in manifests if manifest.derived_use in ("not stated", "forbidden")]
    assert {"aird", "essen", "palestrina"} <= {manifest.id for manifest in silent}
    for manifest in silent:
        with pytest.raises(ModelError, match=f"corpus '{manifest.id}' may not teach a model that is passed on"):
            terms_of([manifest], "MIT")
    may = [manifest for manifest in manifests if manifest not in silent]
    assert {"billboard", "chants", "textbook", "chorales"} <= {manifest.id for manifest in may}
    for manifest in may:
        asked = manifest.derived_use == "same licence"
        assert terms_of([manifest], "MIT").licence == (manifest.licence if asked else "MIT")


def test_terms_of_a_model():
    free, attributed, alike = (read_manifest(name) for name in ("billboard", "textbook", "chorales"))
    assert terms_of([free, attributed], "MIT") == terms_of([free], "MIT")
    assert (terms_of([free], "MIT").licence, terms_of([free], "MIT").commercial_use) == ("MIT", "allowed")
    mixed = terms_of([free, alike], "MIT")
    assert (mixed.licence, mixed.share_alike, mixed.commercial_use) == ("CC-BY-NC-SA-4.0", True, "forbidden")
    assert terms_of([free, stated("chants", commercial_use="not stated")], "MIT").commercial_use == "not stated"


def test_terms_that_cannot_be_kept():
    alike = read_manifest("chorales")
    with pytest.raises(ModelError, match="each ask that what is made from them"):
        terms_of([alike, stated("textbook", derived_use="same licence")], "MIT")
    with pytest.raises(ModelError, match="'nottingham' is secondary truth, which does not teach beside 'chorales'"):
        terms_of([alike, stated("nottingham", licence=alike.licence)], "MIT")
    with pytest.raises(ModelError, match="derived_use = 'forbidden'"):
        terms_of([stated("chants", derived_use="forbidden")], "MIT")
    assert terms_of([read_manifest("nottingham")], "MIT").share_alike


# Cards


def full_card():
    teacher = Teacher("tunes", 1, "Tunes", 90, 3, False, "CC-BY-SA-4.0", "As stated.", "same licence", "forbidden",
                      "@misc{x, title = {T}}", "a folder", "c" * 64, "m" * 64)  # fmt: skip
    score = Measured("trial", "abc", "5 folds", "all", "lowest-line", "exact", 0.9, 0.85, 0.95, 90)
    return cautions(
        Card("trial", "Trying.", view="lowest-line", hears=("notes",), modes={"major": 60, "dorian": 30},
             trained_on=(teacher,), licence="CC-BY-SA-4.0", share_alike=True, commercial_use="forbidden",
             scores=(score, replace(score, metric="recall_dorian", value=0.7, n=30)), limits=("Mind the gap.",))
    )  # fmt: skip


def test_a_card_survives_json():
    card = full_card()
    assert read_card(json.loads(json.dumps(card.as_dict())), "x") == card


def test_a_card_states_the_limits_that_follow_from_it():
    text = " ".join(full_card().limits)
    for part in ("major and Dorian;", "'lowest-line'", "3 files of tunes", "secondary truth", "Not for commercial use",
                 "Share alike", "Mind the gap."):  # fmt: skip
        assert part in text, part
    assert "Not measured" not in text
    bare = cautions(Card("x", "y", labels="tonic", task="sections"))
    assert any("home notes only" in limit for limit in bare.limits)
    assert any("Not measured" in limit for limit in bare.limits)
    assert any("segment()" in limit for limit in bare.limits)
    assert cautions(bare).limits == bare.limits


def test_a_card_in_words():
    text = in_words(full_card(), 1234)
    for part in ("trial: Trying.", "1,234 bytes", "major (60), Dorian (30)", "tunes, revision 1: 90 pieces",
                 "home note and mode right 0.900 (0.850 to 0.950, n = 90)", "Dorian pieces right 0.700", "@misc{x",
                 "CC-BY-SA-4.0; commercial use forbidden; share alike"):  # fmt: skip
        assert part in text, part


def test_the_test_pieces_are_what_they_say():
    notes, chroma = selfcheck.pieces("notes"), selfcheck.pieces("chroma")
    assert isinstance(notes, NoteTable)
    assert len(notes) == len(chroma) == 3
    heard = [set(piece.pitch.astype(int) % 12) for piece in notes.pieces()]
    assert heard[0] == {2, 4, 6, 7, 9, 11, 1}  # D major
    assert heard[1] == {7, 9, 10, 0, 2, 4, 5}  # G Dorian
    assert heard[2] == {9, 0, 4}
    assert (chroma.treble.argmax(axis=1) % 12 != 0).any()


# What ships


def test_what_ships_is_what_the_file_names():
    recipes = fitting.read_recipes(fitting.DEFAULT_FILE)
    assert models.names() == sorted(recipe.name for recipe in recipes)


def test_what_ships_is_small_quick_and_whole():
    assert sum(path.stat().st_size for path in store.SHIPPED.iterdir()) <= store.SHIPPED_BYTES
    assert {path.suffix for path in store.SHIPPED.iterdir()} <= {".json", ".npz"}
    for name in models.names():
        seconds = []
        for _ in range(5):
            start = time.perf_counter()
            model = models.load(name)
            seconds.append(time.perf_counter() - start)
        assert min(seconds) < 0.05  # the least of five: a busy machine is no fault
        assert model.__sklearn_is_fitted__()


@pytest.mark.parametrize("name", models.names())
def test_the_card_of_what_ships_holds(name):
    """The card is what the file of models and the manifests of today say."""
    card = models.describe(name)
    (recipe,) = fitting.read_recipes(fitting.DEFAULT_FILE, [name])
    terms = terms_of(recipe.manifests, recipe.licence)
    assert (card.licence, card.share_alike, card.commercial_use) == (
        terms.licence, terms.share_alike, terms.commercial_use,
    )  # fmt: skip
    assert card.what_for == recipe.what_for
    (spec,) = recipe.experiment.estimators
    assert card.use == spec.use
    assert card.params == store._plain(spec.make().get_params(deep=False))
    for teacher, manifest in zip(card.trained_on, recipe.manifests, strict=True):
        assert (teacher.id, teacher.revision, teacher.licence) == (manifest.id, manifest.revision, manifest.licence)
        assert teacher.citation == manifest.citation
        assert teacher.pieces > 0
        assert len(teacher.content) == 64
    assert card.limits
    assert card.reproduce


def test_what_ships_answers_at_once_and_explains_itself():
    notes = NoteTable.from_notes([38, 38, 43, 45, 38, 36, 43, 45, 38], [1.0] * 9)
    model = models.load("bass-line")
    (evidence,) = model.explain(notes)
    assert evidence.ranked[0][0].tonic_name == "D"
    assert evidence.words


@pytest.mark.slow
@pytest.mark.corpus
def test_a_shipped_model_is_what_its_command_makes(tmp_path):
    recipes = fitting.read_recipes(fitting.DEFAULT_FILE, ["chant"])
    try:
        (made,) = fitting.make(recipes, tmp_path)
    except KeybenchError as error:
        pytest.skip(str(error))
    shipped = models.describe("chant")
    if made.card.trained_on != shipped.trained_on:
        pytest.skip("the corpus here is not the one that it was fitted on")
    notes = small_corpus(40, seed=6)[0]
    one, two = models.load("chant"), models.load(made.path)
    gap = np.abs(np.exp(one.predict_log_proba(notes)) - np.exp(two.predict_log_proba(notes))).max()
    assert gap < 1e-3
    assert replace(made.card, date="", scores=(), limits=(), packages={}) == replace(
        shipped, date="", scores=(), limits=(), packages={}
    )


def test_a_model_is_one_npz_without_surprises(saved):
    with zipfile.ZipFile(saved[1]) as archive:
        assert all(name.endswith(".npy") for name in archive.namelist())
    content, arrays = encode(models.load(saved[0]))
    assert decode(content, arrays).stay == 0.998
