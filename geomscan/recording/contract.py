"""Refusing file content from inside a model, with one plain line."""

from typing import NoReturn

from pydantic_core import PydanticCustomError

__all__ = ["refuse"]


def refuse(message: str) -> NoReturn:
    """Raise what pydantic turns into a fault whose text is exactly `message`."""
    kind = "contract"
    template = "{message}"
    raise PydanticCustomError(kind, template, {"message": message})
