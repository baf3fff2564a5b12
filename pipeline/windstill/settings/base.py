"""The common form of a settings section."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, field_validator
from pydantic_core import PydanticCustomError

# Far beyond any use a setting has for a number; squares of what is larger end in none at all.
_LARGEST = 1e12


class Section(BaseModel):
    """Frozen; an unknown name is an error, so that a misspelt threshold does not pass silently."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @field_validator("*")
    @classmethod
    def _not_absurd(cls, value: object) -> object:
        for number in value if isinstance(value, tuple) else (value,):
            if isinstance(number, int | float) and abs(number) > _LARGEST:
                raise PydanticCustomError("absurd", "must lie within {largest}", {"largest": f"{_LARGEST:g}"})
        return value
