"""Dataset manifests: one TOML file per corpus revision.

A manifest says where a corpus comes from, under what licence, how its files are read and what its labels mean. The
label policy is data: ``[labels.accept]`` widens a written mode to the set of modes that it may stand for.
"""

from __future__ import annotations

import importlib.metadata
import importlib.util
import re
from dataclasses import dataclass, field
from pathlib import Path

from keybench.errors import CorpusMissingError, ManifestError
from keybench.key import LABEL_SPACES, MODES, Key, keys_on
from keybench.resources import shipped
from keybench.validate import Fields, read_toml

SCHEMA = 1
ORIGINS = ("package", "folder")
FORMATS = ("abc",)
TRUST_LEVELS = ("expert", "notated", "derived", "algorithmic")


@dataclass(frozen=True)
class Manifest:
    """One corpus revision, as its manifest states it.

    Parameters
    ----------
    id, title, good_for, licence, licence_note, citation : str
    revision : int
        Results of different revisions are never pooled.
    kind, package, version, folder, files, install : str
        Origin. Of kind ``package``: the installed package that carries the files, the version they were checked
        against, the folder inside it, a glob, and the command that installs it. Of kind ``folder``: a folder beside
        the manifest, and a glob.
    format : str
        Name of the reader.
    label_space, trust, policy : str
        What a label states, how far to trust it, and why.
    accept : dict of str to tuple of str
        Written modes that stand for several, and which.
    pieces, labelled : int
        Tunes in the files, and those whose label names a key.
    modes : dict of str to int
        Labelled pieces by written mode.
    """

    id: str
    title: str
    good_for: str
    licence: str
    licence_note: str
    citation: str
    revision: int
    kind: str
    package: str
    version: str
    folder: str
    files: str
    install: str
    format: str
    label_space: str
    trust: str
    policy: str
    accept: dict[str, tuple[str, ...]]
    pieces: int
    labelled: int
    modes: dict[str, int]
    base: Path = field(repr=False)  # where the manifest stands; says nothing about the data

    def accepted_keys(self, label: Key) -> list[Key]:
        """Return the keys that a written label stands for under the label policy."""
        if self.label_space == "tonic":
            return keys_on(label.tonic)
        names = self.accept.get(MODES[label.mode], (MODES[label.mode],))
        return [Key(label.tonic, MODES.index(name)) for name in names]

    def locate(self) -> list[Path]:
        """Return the files, sorted by name.

        A package is found on disk and never imported.

        Raises
        ------
        CorpusMissingError
            If the package or the folder is absent, or holds no such files.
        """
        if self.kind == "folder":
            folder = self.base / self.folder
            files = sorted(folder.glob(self.files))
            if not files:
                raise CorpusMissingError(f"corpus {self.id!r}: {folder} holds no {self.files}; put its files there")
            return files
        try:
            spec = importlib.util.find_spec(self.package)
        except (ModuleNotFoundError, ValueError):  # part of an absent package, or no package at all
            spec = None
        if spec is None or spec.origin is None:
            raise CorpusMissingError(
                f"corpus {self.id!r} is not on this machine: its files travel inside the package {self.package}; "
                f"install it with: {self.install}"
            )
        folder = Path(spec.origin).parent / self.folder
        files = sorted(folder.glob(self.files))
        if not files:
            raise CorpusMissingError(
                f"corpus {self.id!r}: {folder} holds no {self.files}; install it again with: {self.install} "
                f"(checked against {self.package} {self.version})"
            )
        return files

    def installed_version(self) -> str:
        """Return the version of the package that is installed; empty for a folder."""
        if self.kind == "folder":
            return ""
        try:
            return importlib.metadata.version(self.package)
        except importlib.metadata.PackageNotFoundError:
            return "unknown"


def manifest_names() -> list[str]:
    """Return the ids of the shipped manifests."""
    return sorted(path.stem for path in shipped("datasets_manifest").glob("*.toml"))


def read_manifest(name: str) -> Manifest:
    """Read a manifest by corpus id, or by path if `name` ends in ``.toml``.

    Raises
    ------
    ManifestError
        If there is none, or it lacks a field, or a value is not accepted.
    """
    if name.endswith(".toml"):
        path = Path(name)
    elif name in manifest_names():
        path = shipped("datasets_manifest") / f"{name}.toml"
    else:
        raise ManifestError(f"unknown corpus {name!r}; accepted: {', '.join(manifest_names())}")
    top = Fields(read_toml(path, ManifestError), path.name, ManifestError)
    top.take("schema", int, accepted=[SCHEMA])
    origin, reader, labels, counts = (top.table(part) for part in ("origin", "reader", "labels", "counts"))
    kind = origin.take("kind", str, accepted=ORIGINS)
    packaged = kind == "package"
    accept = labels.take("accept", dict, {})
    for written, names in accept.items():
        if written not in MODES or not isinstance(names, list) or not names or any(n not in MODES for n in names):
            raise ManifestError(
                f"{path.name} [labels.accept]: {written!r} = {names!r}; accepted: mode names to lists of "
                + ", ".join(MODES)
            )
    folder, files = origin.take("folder", str), origin.take("files", str)
    for name, text in (("folder", folder), ("files", files)):
        if not text or Path(text).is_absolute() or ".." in Path(text).parts:
            raise origin.fail(f"field {name!r} is {text!r}, which points outside its place; accepted: a path below it")
    modes = counts.take("modes", dict)
    for mode, n in modes.items():
        if mode not in MODES or not isinstance(n, int) or isinstance(n, bool) or n < 0:
            raise counts.fail(f"field 'modes' holds {mode} = {n!r}; accepted: whole numbers by {', '.join(MODES)}")
    manifest = Manifest(
        id=top.take("id", str),
        title=top.take("title", str),
        good_for=top.take("good_for", str),
        licence=top.take("licence", str),
        licence_note=top.take("licence_note", str),
        citation=top.take("citation", str),
        revision=top.take("revision", int),
        kind=kind,
        package=origin.take("package", str) if packaged else "",
        version=origin.take("version", str) if packaged else "",
        folder=folder,
        files=files,
        install=origin.take("install", str) if packaged else "",
        format=reader.take("format", str, accepted=FORMATS),
        label_space=labels.take("space", str, accepted=LABEL_SPACES),
        trust=labels.take("trust", str, accepted=TRUST_LEVELS),
        policy=labels.take("policy", str),
        accept={written: tuple(names) for written, names in accept.items()},
        pieces=counts.take("pieces", int),
        labelled=counts.take("labelled", int),
        modes=modes,
        base=path.resolve().parent,
    )
    for fields in (origin, reader, labels, counts, top):
        fields.finish()
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,63}", manifest.id) or manifest.id == "all":
        raise top.fail(f"field 'id' is {manifest.id!r}; accepted: small letters, digits and hyphens, but not 'all'")
    if min(manifest.pieces, manifest.labelled) < 0:
        raise counts.fail(f"{manifest.pieces} pieces, {manifest.labelled} labelled; accepted: 0 or more")
    return manifest
