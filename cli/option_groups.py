"""Options that several commands share, declared once as a dataclass and spread into each command's signature."""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable
from typing import Any, get_type_hints


def with_options(**groups: type) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Let a command take a group of options as one argument.

    Parameters
    ----------
    **groups : type
        By the name of the command's argument, a dataclass whose fields are annotated as Typer's options are; every
        field has a default.

    Returns
    -------
    decorator
        For a command; goes between `@app.command(...)` and the function.

    Examples
    --------
    >>> @dataclasses.dataclass
    ... class Loud:
    ...     volume: int = 3
    >>> @with_options(loud=Loud)
    ... def ring(times: int, loud: Loud) -> str:
    ...     return "ding" * times + "!" * loud.volume
    >>> ring(times=2, volume=1)
    'dingding!'
    """

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        parameters: list[inspect.Parameter] = []
        members: dict[str, list[str]] = {}
        for parameter in inspect.signature(function, eval_str=True).parameters.values():
            group = groups.get(parameter.name)
            if group is None:
                parameters.append(parameter.replace(kind=inspect.Parameter.KEYWORD_ONLY))
                continue
            hints = get_type_hints(group, include_extras=True)
            members[parameter.name] = []
            for field in dataclasses.fields(group):
                members[parameter.name].append(field.name)
                parameters.append(
                    inspect.Parameter(
                        field.name, inspect.Parameter.KEYWORD_ONLY, default=field.default, annotation=hints[field.name]
                    )
                )

        def command(**values: Any) -> Any:
            for name, fields in members.items():
                values[name] = groups[name](**{field: values.pop(field) for field in fields if field in values})
            return function(**values)

        command.__name__ = function.__name__
        command.__doc__ = function.__doc__
        command.__module__ = function.__module__
        command.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
        command.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        return command

    return decorate
