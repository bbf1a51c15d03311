"""How a corpus stands on this machine, and bringing it here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from keybench.corpora.fetch import fetch_download, fetch_git, full_commit
from keybench.corpora.locate import advice, known_hashes, locate, missing_files, origin_root
from keybench.corpora.manifest import Manifest, Origin
from keybench.corpora.verify import FileState, extra_files, git_output, verify_files, verify_git
from keybench.errors import CorpusMissingError, FetchError

HERE, PARTLY, NOT_HERE = "present", "partly", "missing"
"""States of a corpus: all listed files are there; some are; none is, or the package that carries them is absent."""


@dataclass(frozen=True)
class Verified:
    """What verifying a corpus found.

    Parameters
    ----------
    against : str
        What its files were compared with, in words.
    states : list of FileState
    extra : list of str
        Files that would be read although nothing vouches for them.
    """

    against: str
    states: list[FileState] = field(default_factory=list)
    extra: list[str] = field(default_factory=list)

    def count(self, state: str) -> int:
        """Return the number of files in a state."""
        return sum(file.state == state for file in self.states)


def origins(manifest: Manifest) -> list[Origin]:
    """Return the origin and, where labels stand apart, its companion."""
    return [manifest.origin] if manifest.companion is None else [manifest.origin, manifest.companion]


def presence(manifest: Manifest) -> tuple[str, int]:
    """Return the state of a corpus by the names of its files, and how many listed ones are not here."""
    missing, absent = 0, False
    for origin in origins(manifest):
        if origin.kind == "generated":
            continue
        try:
            missing += len(missing_files(manifest, origin, locate(manifest, origin)))
        except CorpusMissingError:
            absent = True
            missing += len(known_hashes(manifest, origin))
    return (NOT_HERE if absent else PARTLY if missing else HERE), missing


def verify(manifest: Manifest) -> list[Verified]:
    """Compare the files of a corpus with what they should be, one entry per origin.

    A git checkout is compared with the pinned commit; other files with the hash list beside the manifest.

    Raises
    ------
    CorpusMissingError
        If a package that should carry the files is not installed.
    FetchError
        If a checkout is at another commit, or damaged.
    """
    found = []
    for origin in origins(manifest):
        if origin.kind == "generated":
            found.append(Verified("nothing: its pieces are generated"))
            continue
        root = origin_root(manifest, origin)
        hashes = known_hashes(manifest, origin)
        if origin.kind == "git" and (root / ".git").exists():
            commit = _commit_of(origin, root)
            if commit is None:
                raise FetchError(
                    f"{root}: not at commit {origin.commit}; move it away and fetch corpus {manifest.id!r}"
                )
            found.append(Verified(f"commit {commit}", verify_git(root, commit, origin.checkout)))
            # Files that the list was made from as they are at the origin; a reduced copy's have other names.
            hashes = {path: digest for path, digest in hashes.items() if (root / path).is_file()}
            if hashes:
                found.append(Verified(origin.hashes, verify_files(root, hashes)))
            continue
        if not hashes:
            found.append(Verified("nothing: its manifest names no hash list (field 'hashes'; sha256sum writes one)"))
            continue
        states = verify_files(root, hashes)
        found.append(Verified(origin.hashes, states, extra_files(root, hashes, origin.files)))
    return found


def _commit_of(origin: Origin, root: Path) -> str | None:
    """Return the full name of the pinned commit, from the manifest or from a checkout that is at it."""
    if len(origin.commit) == 40:
        return origin.commit
    head = git_output(root / ".git", "rev-parse", "--verify", "--quiet", "HEAD") if (root / ".git").exists() else None
    name = "" if head is None else head.decode().strip()
    return name if name.startswith(origin.commit) else None


def fetch(manifest: Manifest, progress: Callable[[int, int], None]) -> list[str]:
    """Bring a corpus to this machine and return a line on each of its origins.

    Raises
    ------
    FetchError
        If it cannot be brought; the message says why and what to do.
    CorpusMissingError
        If it travels inside a package that is not installed.
    """
    lines = []
    for origin in origins(manifest):
        if origin.kind in ("git", "download"):
            target = origin_root(manifest, origin)
            target.parent.mkdir(parents=True, exist_ok=True)
            if origin.kind == "git":
                commit = _commit_of(origin, target) or full_commit(origin.repository, origin.commit, progress)
                fetch_git(origin.repository, commit, list(origin.checkout), target, progress)
            else:
                fetch_download(origin.url, origin.sha256, target, True, progress)
            lines.append(f"{target}: {origin.state}")
        elif origin.kind == "generated":
            lines.append(f"nothing to fetch: {origin.state}")
        else:
            located = locate(manifest, origin)
            lines.append(f"{located.root}: {len(located.paths)} files, {origin.state}; nothing to fetch")
    return lines


def as_dict(manifest: Manifest) -> dict[str, Any]:
    """Return what ``keybench corpora list --json`` says of a corpus."""
    state, missing = presence(manifest)
    return {
        "id": manifest.id,
        "revision": manifest.revision,
        "title": manifest.title,
        "pieces": manifest.pieces,
        "labelled": manifest.labelled,
        "counted": manifest.pieces > 0,
        "with_local_keys": manifest.with_local_keys,
        "at_origin": manifest.at_origin,
        "modes": manifest.modes,
        "label_space": manifest.label_space,
        "trust": manifest.trust,
        "headline": manifest.headline,
        "licence": manifest.licence,
        "commercial_use": manifest.commercial_use,
        "derived_use": manifest.derived_use,
        "state": state,
        "missing_files": missing,
    }


def describe(manifest: Manifest) -> dict[str, Any]:
    """Return everything that a manifest states, and how the corpus stands here."""
    facts = as_dict(manifest)
    return facts | {
        "good_for": manifest.good_for,
        "licence_note": manifest.licence_note,
        "citation": manifest.citation,
        "known_faults": list(manifest.known_faults),
        "group_by": list(manifest.group_by),
        "format": manifest.format,
        "transpose": manifest.transpose,
        "policy": manifest.policy,
        "accept": {mode: list(names) for mode, names in manifest.accept.items()},
        "origins": [vars(origin) | {"state": origin.state} for origin in origins(manifest)],
        "to_get_it": "" if facts["state"] == HERE else advice(manifest, manifest.origin),
    }
