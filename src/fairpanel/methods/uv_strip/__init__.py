"""UV blocked by a film, from photosensitive (cyanotype) paper exposed under it."""

from __future__ import annotations

from importlib.resources import files

from fairpanel.methods.contract import Method
from fairpanel.methods.uv_strip.areas import maps
from fairpanel.methods.uv_strip.by_picture import BY_PICTURE
from fairpanel.methods.uv_strip.cautions import CAUTIONS
from fairpanel.methods.uv_strip.charts import charts
from fairpanel.methods.uv_strip.crops import WORDS as CROPS_WORDS
from fairpanel.methods.uv_strip.crops import crops
from fairpanel.methods.uv_strip.details import details
from fairpanel.methods.uv_strip.finding_outlines import find
from fairpanel.methods.uv_strip.flags import FLAGS
from fairpanel.methods.uv_strip.marks import measure
from fairpanel.methods.uv_strip.readings import readings
from fairpanel.methods.uv_strip.results import BLOCKED, STATEMENT, words
from fairpanel.methods.uv_strip.row import Row
from fairpanel.methods.uv_strip.strip_words import strip_words

METHOD = Method(
    name="uv_strip",
    title="UV blocked, by paper strips",
    version=2,
    quantities=(BLOCKED,),
    Row=Row,
    find=find,
    measure=measure,
    readings=readings,
    words=words,
    flags=FLAGS,
    cautions=CAUTIONS,
    statement=STATEMENT,
    crops=crops,
    crops_words=CROPS_WORDS,
    crop_words=strip_words,
    charts=charts,
    maps=maps,
    details=details,
    by_picture=BY_PICTURE,
    procedure=files(__name__).joinpath("README.md").read_text(encoding="utf-8"),
)
