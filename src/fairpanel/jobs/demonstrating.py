"""The demonstration: an invented campaign made, taken in, read and published on a bench of its own."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.showing import LastRead, load_last_read
from fairpanel.jobs.take_in import take_in
from fairpanel.methods.contract import Reading, Result
from fairpanel.rehearsal.campaigns import MadeCampaign
from fairpanel.rehearsal.demo import FAULTS, demo_campaign
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchExists, in_plain_words

Progress = Callable[[int, int, str], None]

ABOUT = "ABOUT THIS DEMONSTRATION.txt"
MADE, PAGE = "made pictures", "page"
_WORDS = """Everything in this folder is invented: products, pictures, numbers. Nothing is a measurement of anything.
It was written by `fairpanel demo`, which makes it anew when it is asked again.

{made}: pictures and table, as a tester would have them before taking them in.
{page}: what would be published.
The rest is the bench itself; try `fairpanel results`, `fairpanel check`.
"""


@dataclass(frozen=True)
class Caught:
    """A planted fault and what became of it.

    Parameters
    ----------
    number, fault : str
        As in the list of planted faults.
    flags : tuple of (flag, strips)
        Flags that caught it, with the number of strips that carry them; a flag on a product counts as 0 strips.
    strips : int
        Strips it concerns.
    caught : bool
        Every strip it concerns, or the product where the fault is one of its plates, carries a flag that fits.
    """

    number: str
    fault: str
    flags: tuple[tuple[str, int], ...]
    strips: int
    caught: bool


@dataclass(frozen=True)
class Demonstration:
    """Where things are, what was read, and what became of the planted faults."""

    bench: Path
    made: Path
    read: LastRead
    caught: tuple[Caught, ...]
    page: Path


def demonstrate(folder: Path, *, seed: int = 1, progress: Progress = lambda done, of, what: None) -> Demonstration:
    """Make, take in, read and publish the demonstration.

    Parameters
    ----------
    folder : path
        New, empty, or holding an earlier demonstration, which is made anew.
    seed : int
    progress : callable
        `(done, of, what)`.

    Raises
    ------
    BenchExists
        The folder holds other things.
    BenchError
    """
    from fairpanel.jobs.publishing import publish

    _clear(folder)
    with Bench.create(folder, name="demonstration", zone="UTC"):
        pass
    with in_plain_words(folder):
        (folder / ABOUT).write_text(_WORDS.format(made=MADE, page=PAGE), encoding="utf-8")
        progress(0, 1, "making pictures")
        made = demo_campaign(seed)
        table = made.write(folder / MADE)
    take_in(folder, table, progress=progress)
    read_bench(folder, progress=progress)
    published = publish(folder, folder / PAGE, title="Demonstration, invented", progress=progress)
    read = load_last_read(folder)
    return Demonstration(folder, folder / MADE, read, tuple(caught(made, read)), published.page)


def _clear(folder: Path) -> None:
    """Make room: an earlier demonstration is taken away, anything else is left alone and refused."""
    if not (folder / ABOUT).is_file():
        return  # making the bench refuses a folder that is not free
    own = {ABOUT, MADE, PAGE, "originals", "publications"}
    others = [p.name for p in folder.iterdir() if p.name not in own and not p.name.startswith("bench")]
    if others:
        raise BenchExists(
            f"{folder} holds an earlier demonstration, but also {', '.join(sorted(others)[:3])}. Move that "
            "elsewhere, or give another folder."
        )
    with Bench.open(folder, writing=True, doing="making the demonstration anew"):
        pass  # nobody else is writing
    with in_plain_words(folder):
        for path in sorted(folder.iterdir(), key=lambda p: p.name == ABOUT):
            shutil.rmtree(path) if path.is_dir() else path.unlink()


# ---- what was planted ------------------------------------------------------------------------------------------

#: Flags that catch each planted fault.
_CATCHES = {
    "1": ("lamp cold",),
    "2": ("paper lots mixed",),
    "3": ("glass lots mixed",),
    "4": ("plates disagree",),
    "6": ("strip under age",),
    "12": ("altered by an automatic mode", "tone curve off"),
}


def caught(made: MadeCampaign, read: LastRead) -> list[Caught]:
    """What became of each planted fault.

    Parameters
    ----------
    made : MadeCampaign
        The demonstration, or a part of it.
    read : LastRead
    """
    strips = {(r.picture, r.strip): r for _, r in read.readings}
    found = []
    for number, fault in FAULTS.items():
        own = [strips[key] for key in _concerned(number, made) if key in strips]
        product = [t.result for t in read.told if number == "4" and t.result and t.product in {r.product for r in own}]
        counts = [(name, _carrying(name, own, product)) for name in _CATCHES[number]]
        holding = [(name, n) for name, n in counts if n is not None]
        hit = {id(r) for r in own if set(r.flags) & set(_CATCHES[number])}
        found.append(
            Caught(number, fault, tuple(holding), len(own), bool(holding) and (bool(product) or len(hit) == len(own)))
        )
    return found


def _carrying(name: str, own: Sequence[Reading], products: Sequence[Result]) -> int | None:
    n = sum(name in r.flags for r in own)
    return n if n or any(name in r.flags for r in products) else None


def _concerned(number: str, made: MadeCampaign) -> list[tuple[str, str]]:
    """Picture and strip of the strips with a product that a planted fault concerns."""
    rows = [r for r in made.rows if r["product"]]
    coating = [t for t in made.truth["strips"] if t.get("product") == "Consumer coating J"]
    thickest = max(coating, key=lambda t: t["blocked"], default={"strip": ""})
    concerned = {
        "1": lambda r: r["run"] == "7",
        "2": lambda r: r["run"] == "9" and r["paper_lot"] == "A7",
        "3": lambda r: r["glass_lot"] == "G2",
        "4": lambda r: r["strip"] == thickest["strip"],
        "6": lambda r: r["run"] == "12",
        "12": lambda r: r["run"] == "4",
    }[number]
    return list(dict.fromkeys((r["picture"], r["strip"]) for r in rows if concerned(r)))
