"""Every threshold by name, with unit, default and the reason for it.

Each room has its own section (one file each). A TOML profile gives any of them under the section's name;
command-line options overrule the profile; the effective settings land in run.json.
"""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from windstill.settings.advise import AdviseSettings
from windstill.settings.assess import AssessSettings
from windstill.settings.base import Section
from windstill.settings.field import FieldSettings
from windstill.settings.group import GroupSettings
from windstill.settings.handover import HandoverSettings
from windstill.settings.imaging import ImagingSettings
from windstill.settings.plan import PlanSettings
from windstill.settings.profiles import assignments, find_profile, profile_names
from windstill.settings.report import ReportSettings
from windstill.settings.run import RunSettings
from windstill.settings.scan import ScanSettings
from windstill.settings.score import ScoreSettings
from windstill.settings.season import SeasonSettings
from windstill.settings.toml import read_toml


class SettingsError(ValueError):
    """A profile that cannot be used; the message is one line that names the file and the entry."""


class Settings(Section):
    """All settings of a review."""

    scan: ScanSettings = Field(default_factory=ScanSettings)
    imaging: ImagingSettings = Field(default_factory=ImagingSettings)
    score: ScoreSettings = Field(default_factory=ScoreSettings)
    group: GroupSettings = Field(default_factory=GroupSettings)
    assess: AssessSettings = Field(default_factory=AssessSettings)
    advise: AdviseSettings = Field(default_factory=AdviseSettings)
    report: ReportSettings = Field(default_factory=ReportSettings)
    run: RunSettings = Field(default_factory=RunSettings)
    field: FieldSettings = Field(default_factory=FieldSettings)
    plan: PlanSettings = Field(default_factory=PlanSettings)
    season: SeasonSettings = Field(default_factory=SeasonSettings)
    handover: HandoverSettings = Field(default_factory=HandoverSettings)


def load_settings(profile: Path | None = None, overrides: dict[str, dict[str, Any]] | None = None) -> Settings:
    """Read a TOML profile and lay overrides (section -> name -> value) over it.

    Raises
    ------
    SettingsError
        The profile is missing, is not TOML, or holds an unknown name or a value out of range.
    """
    values: dict[str, Any] = {}
    where = "settings"
    if profile is not None:
        where = str(profile)
        try:
            values = read_toml(profile.read_text("utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as err:
            raise SettingsError(f"{profile}: cannot be read as a settings profile ({err})") from err
    for section, entries in (overrides or {}).items():
        laid = values.get(section, {})
        if not isinstance(laid, dict):
            raise SettingsError(f"{where}: {section}: write its settings under [{section}]")
        values[section] = {**laid, **{name: value for name, value in entries.items() if value is not None}}
    try:
        return Settings.model_validate(values)
    except ValidationError as err:
        raise SettingsError(f"{where}: {_explained(err)}") from err


def _explained(error: ValidationError) -> str:
    """The first thing wrong, in one line; a misspelt name with the one that was probably meant."""
    first = error.errors()[0]
    parts = [str(part) for part in first["loc"]]
    entry = ".".join(parts)
    if first["type"] != "extra_forbidden":
        return f"{entry}: {first['msg'][:1].lower()}{first['msg'][1:]} (given: {first['input']!r:.40})"
    section = Settings.model_fields.get(parts[0]) if len(parts) > 1 else None
    known = list(section.annotation.model_fields if section else Settings.model_fields)  # type: ignore[union-attr]
    close = difflib.get_close_matches(parts[-1], known, n=1)
    return f"{entry}: no such setting" + (f"; did you mean {close[0]}?" if close else "")


__all__ = [
    "AdviseSettings", "AssessSettings", "FieldSettings", "GroupSettings", "HandoverSettings", "ImagingSettings",
    "PlanSettings", "ReportSettings", "RunSettings", "ScanSettings", "ScoreSettings", "SeasonSettings", "Section",
    "Settings", "SettingsError", "assignments", "find_profile", "load_settings", "profile_names",
]
