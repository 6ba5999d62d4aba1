"""How things stand, asked as counts: the same as counting what is loaded."""

from __future__ import annotations

from fairpanel.methods.contract import Refusal
from fairpanel.storage.bench import Bench
from fairpanel.storage.glancing import standing
from fairpanel.storage.records import NewRow


def _row(bench: Bench, n: int, picture: str = "") -> NewRow:
    return NewRow("uv_strip", 1, f"strip {n}", {"strip": str(n)}, n, picture, "")


def test_counts_are_what_loading_gives(tmp_path):
    """Rows amended, withdrawn and without a picture; a read with refusals of both kinds, one picture not seen."""
    with Bench.create(tmp_path / "b", zone="UTC") as bench:
        staged = [bench.stage(name.encode(), name=name) for name in ("a.png", "b.png", "c.png")]
        rows = [
            NewRow("uv_strip", 1, f"strip {i}", {"strip": str(i)}, i, s.name, s.sha256) for i, s in enumerate(staged)
        ] + [_row(bench, 7), _row(bench, 8)]
        taken = bench.add_take_in(table_name="t.csv", table=b"x", rows=rows, pictures=staged)
        bench.amend_row(taken.row_ids[0], {"strip": "0b"}, reason="misread")
        bench.withdraw_rows([taken.row_ids[2], taken.row_ids[4]], reason="not ours")
        assert standing(bench, None).rows == len(bench.current_rows()) == 3
        read_id = bench.begin_read(code_version="1", seed=1, methods={"uv_strip": 1}, settings={})
        first = next(p for p in bench.pictures() if p.name == "a.png")
        bench.save_marks(
            read_id, method="uv_strip", method_version=1, cache_key="k", picture_id=first.id,
            refusals=[Refusal("a.png", "1", "too pale", "expose longer")],
        )  # fmt: skip
        bench.save_readings(read_id, "uv_strip", [], [Refusal("b.png", "2", "no steps", "add steps")])
        bench.end_read(read_id)
        found = standing(bench, read_id)
        assert found.rows == 3
        assert found.named == {r.picture_id for r in bench.current_rows() if r.picture_id}
        assert found.seen == {m.picture_id for m in bench.measurings_of(read_id)} == {first.id}
        assert list(found.refusals) == bench.refusals_of(read_id) and len(found.refusals) == 2


def test_what_an_earlier_read_measured_counts_for_a_later_one(tmp_path):
    """Marks used again bring their refusals along."""
    with Bench.create(tmp_path / "b", zone="UTC") as bench:
        picture = bench.keep_original(b"x", "a.png")
        for _ in range(2):
            read_id = bench.begin_read(code_version="1", seed=1, methods={"m": 1}, settings={})
            known = bench.marks_by_key(["k"])
            if known:
                bench.use_marks(read_id, [m.id for m in known.values()])
            else:
                bench.save_marks(
                    read_id, method="m", method_version=1, cache_key="k", picture_id=picture.id,
                    refusals=[Refusal("a.png", "1", "too pale", "expose longer")],
                )  # fmt: skip
            bench.end_read(read_id)
        found = standing(bench, read_id)
        assert found.seen == {picture.id} and list(found.refusals) == bench.refusals_of(read_id) != []
