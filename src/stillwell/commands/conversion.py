"""Text of a command line to the values of its parameters, without the library that typer imports for it.

From version 0.29 on typer converts every value by pydantic, whose import takes longer than most answers. What needs no
judgement is converted here: text, a path that may be read, a word of a list, a flag, a number left at its default.
Anything else, and so every refusal and its words, is left to typer.
"""

from __future__ import annotations

import os
from enum import Enum
from pathlib import Path
from typing import Any, get_args, get_origin

UNDECIDED = object()
"""Stands for a value that typer converts."""

_FLAGS = {"1": True, "true": True, "0": False, "false": False}


class Conversion:
    """Converts the values of one parameter; stands in the place of the conversion that typer makes at the first value.

    Parameters
    ----------
    parameter : typer.core.TyperOption or typer.core.TyperArgument
    """

    def __init__(self, parameter: Any) -> None:
        self._of_typer = parameter.get_runtime_param

    def coerce(self, value: Any, param: Any, ctx: Any) -> Any:
        """Convert a value; what is not decided here goes to typer."""
        several = param.multiple or param.nargs == -1
        converted = (
            plain_values(value, param) if several else plain_value(value, param, param.type_descriptor.annotation)
        )
        return self._of_typer().coerce(value, param=param, ctx=ctx) if converted is UNDECIDED else converted


def converted_plainly(parameters: list[Any]) -> list[Any]:
    """Have each of some parameters converted by ``Conversion``; none where a version of typer converts otherwise."""
    for parameter in parameters:
        if hasattr(parameter, "get_runtime_param") and "get_runtime_param" not in vars(parameter):
            conversion = Conversion(parameter)
            parameter.get_runtime_param = lambda conversion=conversion: conversion
    return parameters


def plain_values(value: Any, param: Any) -> Any:
    """Convert the values of a parameter that takes several; ``UNDECIDED`` where one of them is."""
    annotation = param.type_descriptor.annotation
    if value is None:
        return ()
    if get_origin(annotation) is not list or not isinstance(value, (list, tuple)):
        return UNDECIDED
    converted = [plain_value(one, param, get_args(annotation)[0]) for one in value]
    return UNDECIDED if UNDECIDED in converted else converted


def plain_value(value: Any, param: Any, annotation: Any) -> Any:
    """Convert one value to the type that a parameter names; ``UNDECIDED`` where that takes a judgement."""
    if value is None:
        return None
    if param.type_descriptor.parameter_info.parser is not None or not isinstance(annotation, type):
        return UNDECIDED
    if annotation is Path:
        return _path(value, param.type_descriptor.parameter_info)
    if not isinstance(value, str):
        same = isinstance(value, annotation) and (issubclass(annotation, Enum) or value == param.default)
        return value if same else UNDECIDED
    if annotation is str:
        return value if _is_unicode(value) else UNDECIDED
    if annotation is bool:
        return _FLAGS.get(value, UNDECIDED)
    if issubclass(annotation, Enum):
        return next((one for one in annotation if one.value == value), UNDECIDED)
    return UNDECIDED


def _path(value: Any, wanted: Any) -> Any:
    """Convert a path of which nothing is asked but that what is there may be read."""
    asked = (wanted.exists, wanted.writable, wanted.resolve_path, wanted.allow_dash, wanted.path_type)
    if any(asked) or not (wanted.file_okay and wanted.dir_okay) or not _is_unicode(str(value)):
        return UNDECIDED
    return Path(value) if os.access(value, os.R_OK) or not os.path.lexists(value) else UNDECIDED


def _is_unicode(text: str) -> bool:
    """Return whether a text holds only characters: no zero, and no bytes that make none."""
    return "\0" not in text and not any("\ud800" <= character <= "\udfff" for character in text)
