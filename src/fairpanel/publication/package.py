"""The description of a publication's files that other programs read (Frictionless Data Package, from memory)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from fairpanel.publication.content import Content

NAME = "datapackage.json"

#: Says that a folder holds a publication of ours, and of which form.
MARK, FORM = "fairpanel_publication", 1

_MEDIA = {
    "csv": "text/csv",
    "json": "application/json",
    "html": "text/html",
    "jpg": "image/jpeg",
    "svg": "image/svg+xml",
}


@dataclass(frozen=True)
class Written:
    """A file of a publication: its place, size and SHA-256, and for a table its columns."""

    path: str
    size: int
    sha256: str
    fields: Sequence[Mapping[str, str]] = field(default=())


def written(path: str, data: bytes, fields: Sequence[Mapping[str, str]] = ()) -> Written:
    """A file as the package lists it."""
    return Written(path, len(data), hashlib.sha256(data).hexdigest(), fields)


def package_of(content: Content, files: Sequence[Written]) -> bytes:
    """`datapackage.json` for all files of a publication."""
    said = [p.method.statement for p in content.parts if p.method.statement]
    package = {
        "profile": "data-package",
        "name": f"publication-{content.published.isoformat()}",
        "title": content.heading,
        "description": " ".join(dict.fromkeys(said)),
        "created": content.published.isoformat(),
        MARK: FORM,
        "made_with": {
            "fairpanel": content.code_version,
            "methods": {p.method.name: p.method.version for p in content.parts},
            "seed": content.seed,
        },
        "resources": [_resource(one) for one in files],
    }
    return json.dumps(package, ensure_ascii=False, indent=1, allow_nan=False).encode()


def files_in(package: bytes) -> dict[str, str] | None:
    """Place and SHA-256 of every file of an earlier publication; None where this describes no publication of ours."""
    try:
        found = json.loads(package)
        if not found[MARK]:
            return None
        return {one["path"]: one["hash"].removeprefix("sha256:") for one in found["resources"]}
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _resource(one: Written) -> dict[str, Any]:
    ending = one.path.rpartition(".")[2]
    about: dict[str, Any] = {
        "name": one.path.rpartition(".")[0].replace("/", "-"),
        "path": one.path,
        "format": ending,
        "mediatype": _MEDIA.get(ending, "application/octet-stream"),
        "bytes": one.size,
        "hash": f"sha256:{one.sha256}",
    }
    if ending == "csv":
        about |= {"name": f"{about['name']}-table", "profile": "tabular-data-resource", "encoding": "utf-8"}
        about["schema"] = {"fields": list(one.fields), "missingValues": [""]}
    return about
