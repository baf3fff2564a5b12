"""The report page: templates, the policy that shuts the network out, and pictures that fit."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from windstill.records import Review
from windstill.report.budget import first_plan
from windstill.report.build import build_page
from windstill.report.pictures import FOLDER, PLANS, Album
from windstill.settings import Settings

_MB = 1_000_000
_UNIT = re.compile(r"(\d) (?=(?:%|px|mm|m|s|EV)(?!\w))")


def render_page(review: Review, settings: Settings, out: Path) -> str:
    """The whole report as one HTML text, at most ``settings.report.embed_limit_mb`` large.

    Pictures get smaller until they fit. With ``settings.report.assets == "folder"``, or where even the smallest
    do not fit, they are written to ``report-pictures/`` in `out` instead.

    Raises
    ------
    OSError
        The folder for pictures cannot be written.
    """
    limit = int(settings.report.embed_limit_mb * _MB)
    if settings.report.assets == "embed":
        for plan in PLANS[first_plan(review, limit) :]:
            page = _render(review, Album(review.scores, plan), settings)
            if len(page.encode("utf-8")) <= limit:
                return page
    return _render(review, Album(review.scores, PLANS[0], out / FOLDER), settings)


def _render(review: Review, album: Album, settings: Settings) -> str:
    page = build_page(review, album, settings.report.summary_lines)
    env = _environment()
    style, script = _style(), _script()
    pictures = "img-src data:" if album.folder is None else "img-src data: 'self' file:"
    hashes = f"style-src 'sha256-{_digest(style)}'; script-src 'sha256-{_digest(script)}'"
    policy = f"default-src 'none'; {pictures}; {hashes}; base-uri 'none'; form-action 'none'"
    text = env.get_template("report.html.j2").render(
        page=page, policy=policy, style=Markup(style), script=Markup(script)
    )
    # Bytes of a name that are not UTF-8 are shown encoded; elsewhere in a text they would stop the file.
    return re.sub(r"[\ud800-\udfff]", "\ufffd", text)


@cache
def _environment() -> Environment:
    env = Environment(
        loader=PackageLoader("windstill.report"),
        autoescape=select_autoescape(("html", "j2"), disabled_extensions=("css.j2",)),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["unbroken"] = unbroken
    return env


def unbroken(sentence: str) -> str:
    """A sentence of ours with its figures held to their units where a line ends."""
    return _UNIT.sub("\\1\u00a0", sentence)


@cache
def _style() -> str:
    css = _environment().get_template("report.css.j2").render()
    return re.sub(r"\n+", "\n", css).strip()


@cache
def _script() -> str:
    env = _environment()
    assert env.loader is not None
    return env.loader.get_source(env, "report.js")[0]


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
