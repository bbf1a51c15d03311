"""``keybench corpora``: what music there is, whether it is here, and whether it is what it should be."""

from __future__ import annotations

import json
import sys
from typing import Any

import click

from keybench.cli.options import cores, data_option, json_option


@click.group()
def corpora() -> None:
    """List, describe, fetch, verify and audit the corpora.

    A corpus is named by the id of a shipped manifest, or by the path of a manifest file of your own.
    """


@corpora.command("list")
@click.option("--manifest", "own", multiple=True, metavar="FILE", help="A manifest of your own, listed as well.")
@data_option
@json_option
def list_(own: tuple[str, ...], as_json: bool) -> None:
    """Show every corpus: pieces, modes, licence, how far to trust its labels, and whether it is here."""
    from keybench.corpora import manifest_names, read_manifest
    from keybench.corpora.status import as_dict

    rows = [as_dict(read_manifest(name)) for name in (*manifest_names(), *own)]
    if as_json:
        click.echo(json.dumps(rows, indent=1))
        return
    header = ("corpus", "pieces", "local keys", "modes", "trust", "licence", "here")
    table = [header, *(_row(row) for row in rows)]
    widths = [max(len(line[i]) for line in table) for i in range(len(header))]
    for line in table:
        cells = [cell.rjust(w) if i in (1, 2) else cell.ljust(w) for i, (cell, w) in enumerate(zip(line, widths))]  # noqa: B905
        click.echo("  ".join(cells).rstrip())
    click.echo("\nSecondary truth is marked with a star: it is reported apart and never enters a headline number.")


def _row(row: dict[str, Any]) -> tuple[str, ...]:
    modes = " ".join(f"{mode} {n}" for mode, n in sorted(row["modes"].items(), key=lambda item: -item[1])[:3])
    more = len(row["modes"]) - 3
    lacking = f"{row['missing_files']:,} {'file' if row['missing_files'] == 1 else 'files'} missing"
    state = row["state"] if row["state"] != "partly" else lacking
    return (
        row["id"] + ("" if row["headline"] else " *"),
        f"{row['labelled']:,}" if row["counted"] else "not counted",
        f"{row['with_local_keys']:,}" if row["with_local_keys"] else "-",
        modes + (f" and {more} more" if more > 0 else ""),
        row["trust"],
        row["licence"],
        state,
    )


@corpora.command()
@click.argument("corpus", metavar="ID")
@data_option
@json_option
def describe(corpus: str, as_json: bool) -> None:
    """Show all that the manifest of a corpus states."""
    from keybench.corpora import read_manifest
    from keybench.corpora.status import describe as describe_manifest

    facts = describe_manifest(read_manifest(corpus))
    if as_json:
        click.echo(json.dumps(facts, indent=1))
        return
    click.echo(f"{facts['id']}, revision {facts['revision']}: {facts['title']}\n{facts['good_for']}\n")
    counted = ", ".join(f"{mode} {n}" for mode, n in facts["modes"].items()) or "not counted"
    lines = {
        "pieces": f"{facts['pieces']:,}, of which {facts['labelled']:,} labelled and "
        f"{facts['with_local_keys']:,} with local keys"
        if facts["counted"]
        else "not counted",
        "modes": counted,
        "at the origin": f"{facts['at_origin']:,} pieces" if facts["at_origin"] != facts["pieces"] else "",
        "labels": f"{facts['label_space']}, {facts['trust']}. {facts['policy']}",
        "headline": "yes" if facts["headline"] else "no: secondary truth, reported apart",
        "known faults": "; ".join(facts["known_faults"]) or "none known",
        "related if same": ", ".join(facts["group_by"]),
        "licence": f"{facts['licence']}; commercial use {facts['commercial_use']}, derived work "
        f"{facts['derived_use']}. {facts['licence_note']}",
        "from": "; ".join(origin["state"] for origin in facts["origins"]),
        "format": facts["format"] + (", each piece shown at a random transposition" * (facts["transpose"] == "random")),
        "here": facts["state"] + (f" ({facts['missing_files']:,} files missing)" * bool(facts["missing_files"])),
        "to get it": facts["to_get_it"],
    }
    wide = max(map(len, lines))
    for name, text in lines.items():
        if text:
            click.echo(f"{name:<{wide}}  {text}")
    if facts["citation"]:
        click.echo(f"\nTo cite it:\n{facts['citation']}")


@corpora.command()
@click.argument("corpus", metavar="ID")
@click.option("--quiet", is_flag=True, help="No progress bar.")
@data_option
@json_option
def fetch(corpus: str, quiet: bool, as_json: bool) -> None:
    """Bring a corpus here: by git at the pinned commit, or by download with its checksum."""
    from tqdm import tqdm

    from keybench.corpora import read_manifest
    from keybench.corpora.status import fetch as fetch_corpus

    manifest = read_manifest(corpus)
    with tqdm(
        desc=f"fetching {manifest.id}", disable=quiet or None, leave=False, file=sys.stderr, unit_scale=True
    ) as bar:

        def progress(done: int, total: int) -> None:
            bar.total = total or None
            bar.update(done - bar.n)

        lines = fetch_corpus(manifest, progress)
    if as_json:
        click.echo(json.dumps({"id": manifest.id, "fetched": lines}, indent=1))
        return
    for line in lines:
        click.echo(f"{manifest.id}: {line}")
    click.echo(f"{manifest.id}: its licence binds you: {manifest.licence}. {manifest.licence_note}")


@corpora.command()
@click.argument("corpus", metavar="[ID]", required=False)
@data_option
@json_option
def verify(corpus: str | None, as_json: bool) -> None:
    """Compare files with what they should be; tell missing, changed and unreadable ones apart.

    Without ID, every corpus that is here. Exit codes: 0 all as it should be, 1 files are missing, changed or
    unreadable, 2 wrong usage, 3 nothing was compared.
    """
    from keybench.corpora import manifest_names, read_manifest
    from keybench.corpora.locate import advice
    from keybench.corpora.status import NOT_HERE, presence
    from keybench.corpora.status import verify as verify_corpus

    names = [corpus] if corpus else manifest_names()
    results: list[dict[str, Any]] = []
    for name in names:
        manifest = read_manifest(name)
        if not corpus and (manifest.origin.kind == "generated" or presence(manifest)[0] == NOT_HERE):
            state = "generated" if manifest.origin.kind == "generated" else "not here"
            results.append({"id": manifest.id, "state": state, "to_get_it": "", "origins": []})
            continue
        parts: list[dict[str, Any]] = [
            {
                "against": found.against,
                **{state: found.count(state) for state in ("present", "missing", "changed", "unreadable")},
                "extra": found.extra,
                "files": [vars(file) for file in found.states if file.state != "present"],
            }
            for found in verify_corpus(manifest)
        ]
        compared = sum(part[state] for part in parts for state in ("present", "missing", "changed", "unreadable"))
        bad = any(part[state] for part in parts for state in ("missing", "changed", "unreadable"))
        state = "differs" if bad else "as it should be" if compared else "nothing to compare with"
        absent = manifest.origin.kind != "generated" and presence(manifest)[0] == NOT_HERE
        to_get_it = advice(manifest, manifest.origin) if absent else ""
        results.append({"id": manifest.id, "state": state, "to_get_it": to_get_it, "origins": parts})
    if as_json:
        click.echo(json.dumps(results, indent=1))
    else:
        _print_verified(results)
    compared = sum(part["present"] + part["missing"] + part["changed"] + part["unreadable"]
                   for result in results for part in result["origins"])  # fmt: skip
    if not compared:
        sys.exit(3)
    sys.exit(int(any(result["state"] == "differs" for result in results)))


@corpora.command()
@click.argument("corpus", metavar="ID")
@click.option("--save", is_flag=True, help="Keep which labels to look at, in audits/ beside the manifest.")
@click.option("--all", "show_all", is_flag=True, help="Show every piece, not only those to look at.")
@click.option(
    "--jobs", "n_jobs", type=click.IntRange(min=1), default=None, help="Tasks at a time  [default: all cores]"
)
@data_option
@json_option
def audit(corpus: str, save: bool, show_all: bool, n_jobs: int | None, as_json: bool) -> None:
    """Say how plausible each label is: final, scale fit, and methods that have not learnt from the piece.

    Lists the labels that a person should look at. Nothing is changed.
    """
    from keybench import audit as auditing
    from keybench.corpora import load, read_manifest

    manifest = read_manifest(corpus)
    loaded = load(corpus, n_jobs or cores(), audited=False)
    rows = auditing.audit(loaded, manifest.label_space, n_jobs or cores())
    if save:
        path = manifest.base / "audits" / f"{manifest.id}.json"
        auditing.save(path, loaded, rows)
        click.echo(f"kept in {path}", err=True)
    shown = rows if show_all else [row for row in rows if row.look]
    if as_json:
        click.echo(json.dumps(auditing.as_dicts(shown), indent=1))
        return
    for row in shown:
        ends = {True: "ends on it", False: "ends elsewhere", None: "no notes"}[row.ends_on_home]
        click.echo(
            f"{row.piece}: {row.label}; {ends}; scale holds {row.scale_fit:.0%} (best {row.best_fit:.0%}); "
            f"{len(row.agreeing)} of {len(auditing.METHODS)} methods agree; probability {row.probability:.2f}"
            + (f". {'; '.join(row.flags).capitalize()}" if row.flags else "")
        )
    n = sum(row.look for row in rows)
    click.echo(f"\n{manifest.id}: {n:,} of {len(rows):,} labels to look at ({n / max(len(rows), 1):.1%}); "
               "an audit flags and never changes a truth")  # fmt: skip


_SHOWN = 10


def _print_verified(results: list[dict[str, Any]]) -> None:
    for result in results:
        click.echo(f"{result['id']}: {result['state']}")
        for part in result["origins"]:
            click.echo(
                f"  against {part['against']}: {part['present']:,} as they should be, {part['missing']:,} missing, "
                f"{part['changed']:,} changed, {part['unreadable']:,} unreadable"
                + (f", {len(part['extra']):,} more that nothing vouches for" if part["extra"] else "")
            )
            for file in part["files"][:_SHOWN]:
                click.echo(f"    {file['state']}: {file['path']} ({file['detail']})")
            if len(part["files"]) > _SHOWN:
                click.echo(f"    and {len(part['files']) - _SHOWN:,} more; --json lists all")
        if result["to_get_it"]:
            click.echo(f"  not here: {result['to_get_it']}")
