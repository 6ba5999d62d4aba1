"""Forms as they arrive: text fields and files, read once, before the work is done beside the server's own thread."""

from __future__ import annotations

import unicodedata
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from functools import wraps
from typing import BinaryIO

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response

from fairpanel.web.veiling import meant

#: Most files and fields of one form.
MOST_FILES, MOST_FIELDS = 500, 20_000

_LONGEST_NAME = 120


@dataclass(frozen=True)
class Upload:
    """A file as it came: a name that is safe to show and keep, and its bytes. It ends with the request.

    Parameters
    ----------
    name : str
    size : int
        [byte]
    """

    name: str
    size: int
    _file: BinaryIO

    @property
    def data(self) -> bytes:
        """The whole file, read each time it is asked for: of many files only one need be in memory."""
        self._file.seek(0)
        return self._file.read()


@dataclass(frozen=True)
class Form:
    """A form as it came.

    Parameters
    ----------
    fields : mapping of str to str
        The last value of each name.
    lists : mapping of str to tuple of str
        All values of each name.
    files : mapping of str to tuple of Upload
        Files given under each name; fields left empty are not there.
    """

    fields: Mapping[str, str]
    lists: Mapping[str, tuple[str, ...]]
    files: Mapping[str, tuple[Upload, ...]]

    def get(self, name: str, default: str = "") -> str:
        """A field without the blanks around it."""
        return self.fields.get(name, default).strip()

    def ticked(self, name: str) -> bool:
        """Whether a box was ticked."""
        return name in self.fields


def takes_form(do: Callable[[Request, Form], Response]) -> Callable[[Request], Awaitable[Response]]:
    """Make a plain function of request and form into an end-point; it runs in a thread and may take its time."""

    @wraps(do)
    async def endpoint(request: Request) -> Response:
        async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=4_000_000) as given:
            return await run_in_threadpool(do, request, _form(given))

    return endpoint


def _form(given: FormData) -> Form:
    lists: dict[str, list[str]] = {}
    files: dict[str, list[Upload]] = {}
    for name, value in given.multi_items():
        if not isinstance(value, UploadFile):
            lists.setdefault(name, []).append(meant(value))
        elif value.filename:
            files.setdefault(name, []).append(Upload(safe_name(value.filename), value.size or 0, value.file))
    return Form(
        {name: values[-1] for name, values in lists.items()},
        {name: tuple(values) for name, values in lists.items()},
        {name: tuple(values) for name, values in files.items()},
    )


def safe_name(given: str) -> str:
    """A file's own name without folders, control signs and other tricks; never used as a path all the same.

    >>> safe_name("../../etc/passwd"), safe_name("C:\\\\photos\\\\IMG 1.jpg"), safe_name(". .")
    ('passwd', 'IMG 1.jpg', 'unnamed')
    """
    last = unicodedata.normalize("NFC", given).replace("\\", "/").rpartition("/")[2]
    plain = "".join(c for c in last if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Zl", "Zp"))
    plain = plain.strip(" .")
    if len(plain) > _LONGEST_NAME:
        stem, dot, end = plain.rpartition(".")
        plain = f"{stem[: _LONGEST_NAME - len(end) - 1]}.{end}" if dot and len(end) <= 5 else plain[:_LONGEST_NAME]
    return plain or "unnamed"
