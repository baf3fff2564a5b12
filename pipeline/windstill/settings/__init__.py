"""Every threshold by name, with unit, default and the reason for it.

Each room has its own section (one file each). A TOML profile gives any of them under the section's name;
command-line options overrule the profile; the effective settings land in run.json.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError

from windstill.settings.advise import AdviseSettings
from windstill.settings.assess import AssessSettings
from windstill.settings.base import Section
from windstill.settings.group import GroupSettings
from windstill.settings.imaging import ImagingSettings
from windstill.settings.report import ReportSettings
from windstill.settings.run import RunSettings
from windstill.settings.scan import ScanSettings
from windstill.settings.score import ScoreSettings


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
            values = tomllib.loads(profile.read_text("utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as err:
            raise SettingsError(f"{profile}: cannot be read as a settings profile ({err})") from err
    for section, entries in (overrides or {}).items():
        laid = dict(values.get(section, {}))
        laid.update({k: v for k, v in entries.items() if v is not None})
        values[section] = laid
    try:
        return Settings.model_validate(values)
    except ValidationError as err:
        first = err.errors()[0]
        entry = ".".join(str(part) for part in first["loc"])
        raise SettingsError(f"{where}: {entry}: {first['msg']}") from err


__all__ = [
    "AdviseSettings", "AssessSettings", "GroupSettings", "ImagingSettings", "ReportSettings", "RunSettings",
    "ScanSettings", "ScoreSettings", "Section", "Settings", "SettingsError", "load_settings",
]
