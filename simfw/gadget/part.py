"""What all parts of a description have in common."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, model_validator

__all__ = ["Part"]


class Part(BaseModel):
    """What all parts of a description have in common: frozen, strict, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, populate_by_name=True,
                              arbitrary_types_allowed=True, defer_build=True)

    @property
    def unused(self) -> tuple[str, ...]:
        """The keys that say nothing of such a part: none, but where a part tells."""
        return ()

    @model_validator(mode="before")
    @classmethod
    def _tuples(cls, data: Any) -> Any:
        """Turn the lists of a file into tuples, which strict reading asks for."""
        if not isinstance(data, dict):
            return data
        return {key: tuple(v) if isinstance(v, list) else v for key, v in data.items()}
