"""The report page, rendered from templates."""

from __future__ import annotations

import base64

from jinja2 import Environment, PackageLoader, StrictUndefined

from windstill.records import Review, encode_name
from windstill.settings import Settings


def render_page(review: Review, settings: Settings) -> str:
    """The whole report as one HTML text."""
    env = Environment(
        loader=PackageLoader("windstill.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    env.filters["name"] = encode_name
    thumbs = {
        name: "data:image/jpeg;base64," + base64.b64encode(score.thumbnail_jpeg).decode()
        for name, score in review.scores.items()
    }
    return env.get_template("report.html.j2").render(review=review, thumbs=thumbs, settings=settings)
