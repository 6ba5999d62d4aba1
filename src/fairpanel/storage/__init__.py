"""The bench on disk: records, originals, publications. Start with `Bench`."""

from fairpanel.storage.backups import backup, restore
from fairpanel.storage.bench import Bench
from fairpanel.storage.errors import BenchError
from fairpanel.storage.records import NewRow, Staged

__all__ = ["Bench", "BenchError", "NewRow", "Staged", "backup", "restore"]
