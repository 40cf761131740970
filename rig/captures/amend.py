"""Correcting what was typed wrong: setup, notes and pairs of a capture, never its rows.

This is the one place where a capture's file is replaced. The old words and the time of the
change stay in the new file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from itertools import zip_longest
from pathlib import Path
from typing import Any, BinaryIO

from rig.captures.capture import (
    META_KEY,
    Meta,
    batches,
    read_description,
    read_metadata,
    read_schema,
)
from rig.captures.description import check_number, checked_notes, checked_setup
from rig.captures.files import check_file, replace_file, sweep
from rig.captures.table import describe, parquet_writer
from rig.errors import DiskError, SettingsError


@dataclass(frozen=True, slots=True)
class Correction:
    """The right words; None for what stays. A pair with an empty value is removed.

    Raises SettingsError for words that cannot be kept, or where there are none.
    """

    setup: str | None = None
    notes: str | None = None
    pairs: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.setup is None and self.notes is None and not self.pairs:
            raise SettingsError(
                "nothing to correct",
                where="rig amend",
                to_do="Give --setup, --notes or --with KEY=VALUE.",
            )
        if self.setup is not None:
            checked_setup(self.setup)
        if self.notes is not None:
            checked_notes(self.notes)


def amend(path: Path, correction: Correction, now: datetime) -> list[dict[str, str]]:
    """Correct the description of the capture `path` at the time `now`.

    Gives what was changed, as in `Meta.amendments`; where it is empty the file was not
    touched. Raises InputFileError, SettingsError, DiskError; then the file is as it was.
    """
    check_file(path)
    path = path.resolve()
    meta, content = read_description(path)
    pairs = corrected_pairs(meta, correction)
    changes = [
        {"utc": now.isoformat(timespec="seconds"), "what": what, "old": old, "new": new}
        for what, old, new in _changes(meta, correction)
        if old != new
    ]
    if changes:
        corrected = {
            "setup": meta.setup if correction.setup is None else correction.setup,
            "notes": meta.notes if correction.notes is None else correction.notes,
            "pairs": pairs,
            "amendments": [*meta.amendments, *changes],
        }
        sweep(path)
        _rewrite(path, content | corrected)
    return changes


def _changes(meta: Meta, correction: Correction) -> list[tuple[str, str, str]]:
    """What, old and new, also where they are the same."""
    found = []
    if correction.setup is not None:
        found.append(("setup", meta.setup, correction.setup))
    if correction.notes is not None:
        found.append(("notes", meta.notes, correction.notes))
    return [
        *found,
        *((f"with {key}", meta.pairs.get(key, ""), new) for key, new in correction.pairs.items()),
    ]


def corrected_pairs(meta: Meta, correction: Correction) -> dict[str, str]:
    """The pairs of a run once they are corrected. Raises SettingsError for too many."""
    pairs = {key: value for key, value in {**meta.pairs, **correction.pairs}.items() if value}
    check_number(pairs)
    return pairs


def _rewrite(path: Path, content: dict[str, Any]) -> None:
    """The same rows under another description."""
    schema, other = read_schema(path), _other_metadata(path)
    in_schema = {k: v for k, v in (schema.metadata or {}).items() if k != META_KEY}
    schema = schema.with_metadata(in_schema or None)

    def write(file: BinaryIO) -> None:
        with parquet_writer(file, schema) as new:
            for batch in batches(path):
                new.write_batch(batch.cast(schema), row_group_size=max(batch.num_rows, 1))
            describe(new, content, {k: v for k, v in other.items() if k not in in_schema})

    replace_file(path, write, lambda partial: _check_same(path, partial, content))


def _check_same(old: Path, new: Path, content: dict[str, Any]) -> None:
    """Read both files whole. Raises DiskError unless only the description differs."""
    same = (
        read_schema(old).equals(read_schema(new))
        and all(one == other for one, other in zip_longest(_as_bytes(old), _as_bytes(new)))
        and read_description(new)[1] == content
        and _other_metadata(old) == _other_metadata(new)
    )
    if not same:
        raise DiskError(
            "the new file does not read back as it was written",
            where=str(old),
            to_do="The file is as it was.",
        )


def _other_metadata(path: Path) -> dict[bytes, bytes]:
    """A file's metadata without description and schema; the run's identity is among them."""
    ours = (META_KEY, b"ARROW:schema")
    return {key: value for key, value in read_metadata(path).items() if key not in ours}


def _as_bytes(path: Path) -> Iterator[bytes]:
    """Each row group as bytes, so that a NaN is equal to itself."""
    for batch in batches(path):
        yield batch.replace_schema_metadata(None).serialize().to_pybytes()
