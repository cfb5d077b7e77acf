"""Templates of pages: everything escaped, nothing undefined passed over, one style sheet for all."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup, escape

from stillwell import __version__
from stillwell.drawing.colours import style
from stillwell.number_words import within
from stillwell.pages import formats, urls
from stillwell.reading.printed.show import CAUTION
from stillwell.reading.trace.graph import harmless

PARTS = ("downloads", "severity", "verdict", "pager", "scroller", "figure", "source", "stood", "stay", "plural")
FILTERS = (formats.number, formats.signed, formats.given, formats.when, formats.day, formats.label, within)


@cache
def environment(package: str, *, linked: bool) -> jinja2.Environment:
    """Return the templates of pages in the layout of a package.

    Parameters
    ----------
    package : str
        Its ``templates/layout.html`` is what every page stands in.
    linked : bool
        Whether addresses lead somewhere. Without links a page holds the texts of them, and no controls.
    """
    environment = jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader(package), jinja2.PackageLoader("stillwell.pages")]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=formats.shown,
    )
    environment.filters |= {function.__name__: function for function in FILTERS} | {"plain": harmless}
    environment.globals |= {
        "names": urls,
        "version": __version__,
        "caution": CAUTION,
        "linked": linked,
        "link": _link if linked else _text,
    }
    parts = environment.get_template("_parts.html").module
    environment.globals |= {name: getattr(parts, name) for name in PARTS}
    return environment


@cache
def page_style() -> str:
    """Return the style sheet of pages; that of drawings is ``drawing.colours.style``."""
    return resources.files("stillwell.pages").joinpath("style.css").read_text(encoding="utf-8")


@cache
def whole_style() -> Markup:
    """Return the style sheets of pages and drawings for a page that holds them itself."""
    return Markup(page_style() + style())


def _link(address: str, content: Any) -> Markup:
    return Markup('<a href="{}">{}</a>').format(address, content)


def _text(address: str, content: Any) -> Markup:
    return escape(content)
