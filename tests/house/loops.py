"""Tests whose every assertion stands in a loop that an empty sequence would skip, found in their syntax trees."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping

_THROUGH = ("enumerate", "zip", "sorted", "reversed", "list", "tuple", "set", "pairwise", "iter")
"""Functions that give as many items as they are given, or fewer by one."""


def skippable(source: str) -> list[str]:
    """Name the tests of a module that assert something, but only in loops that could run not once.

    A loop over a literal with an element, a range of a positive number, a name given such a literal (in the test or at
    the top of the module), or ``enumerate``, ``zip``, ``sorted`` of these always runs.

    Parameters
    ----------
    source : str

    Returns
    -------
    list of str
    """
    tree = ast.parse(source)
    top = _literals(tree.body, {})
    out = []
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test"):
            known = _literals([n for n in ast.walk(node) if isinstance(n, ast.stmt)], top)
            firm = list(_assertions(node, known, True))
            if firm and not any(firm):
                out.append(node.name)
    return out


def _literals(statements: list[ast.stmt], known: Mapping[str, bool]) -> dict[str, bool]:
    """Say of each name whether every value it is given is a sequence with an element."""
    out = dict(known)
    given: dict[str, bool] = {}
    for node in statements:
        if isinstance(node, ast.Assign):
            for target in node.targets:
                if isinstance(target, ast.Name):
                    given[target.id] = given.get(target.id, True) and _runs(node.value, out | given)
    return out | given


def _assertions(node: ast.AST, known: Mapping[str, bool], firm: bool) -> Iterator[bool]:
    """Say of each assertion below a node whether it is reached whatever the loops around it run over."""
    for child in ast.iter_child_nodes(node):
        reached = firm
        if isinstance(node, ast.For) and child in node.body:
            reached = firm and _runs(node.iter, known)
        if isinstance(node, ast.While) and child in node.body:
            reached = False
        if _asserts(child):
            yield reached
        yield from _assertions(child, known, reached)


def _asserts(node: ast.AST) -> bool:
    if isinstance(node, ast.Assert):
        return True
    if not isinstance(node, ast.Call):
        return False
    name = ast.unparse(node.func).split(".")[-1]
    return name in ("raises", "warns", "fail") or name.startswith("assert_")


def _runs(node: ast.expr, known: Mapping[str, bool]) -> bool:
    """Say whether a loop over an expression runs at least once, as far as its text tells."""
    match node:
        case ast.Tuple(elts=parts) | ast.List(elts=parts) | ast.Set(elts=parts):
            return any(not isinstance(part, ast.Starred) or _runs(part.value, known) for part in parts)
        case ast.Dict(keys=keys):
            return any(key is not None for key in keys)
        case ast.Constant(value=str(text)):
            return bool(text)
        case ast.Name(id=name):
            return known.get(name, False)
        case ast.Call(func=ast.Name(id="range"), args=[ast.Constant(value=int(number))]):
            return number > 0
        case ast.Call(func=ast.Attribute(value=inner, attr="items" | "keys" | "values"), args=[]):
            return _runs(inner, known)
        case ast.Call(func=func, args=args) if ast.unparse(func).split(".")[-1] in _THROUGH:
            return bool(args) and all(_runs(arg, known) for arg in args)
    return False
