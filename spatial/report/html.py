"""Pages that any browser opens from disk: one file, with its own style and script inside and nothing else let run.

Functions: html_text (a page from its template); write_html, save (to a file); as_markup (JSON inside a page).
"""

import base64
import hashlib
from collections.abc import Sequence
from importlib import resources
from pathlib import Path

from jinja2 import Environment, StrictUndefined

from spatial.media.ownership import BLANK_SEAL
from spatial.version import __version__


class Markup(str):
    """Text that is markup already and must not be escaped: our own style and script, and facts made safe."""

    __slots__ = ()

    def __html__(self) -> str:
        return str(self)


def html_text(template: str, *, style: str | Sequence[str], script: Sequence[str] = (), **values: object) -> str:
    """A page; every value is escaped but Markup.

    Parameters
    ----------
    template, style, script : str
        Names of parts in spatial/report/page; styles and scripts are joined in their order.
    """
    styles = [style] if isinstance(style, str) else style
    looks, acts = "\n".join(_part(name) for name in styles), "\n".join(_part(name) for name in script)
    environment = Environment(autoescape=True, undefined=StrictUndefined, keep_trailing_newline=True)
    return environment.from_string(_part(template)).render(
        version=__version__,
        seal=BLANK_SEAL,
        style=Markup(looks),
        style_hash=_hash(looks),
        script=Markup(acts),
        script_hash=_hash(acts),
        **values,
    )


def write_html(template: str, path: Path, *, style: str, **values: object) -> None:
    """Write a page without a script."""
    save(html_text(template, style=style, script=(), **values), path)


def save(text: str, path: Path) -> None:
    """Write a page; a file name that is no text does not stop it."""
    path.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")


def as_markup(json_text: str) -> Markup:
    """JSON that can stand inside a script element, whatever names it holds."""
    return Markup(json_text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e"))


def _part(name: str) -> str:
    return (resources.files("spatial.report") / "page" / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """What the page's own policy knows a script or style by: any other is not run."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
