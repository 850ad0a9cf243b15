"""What draws the results, loaded when it is first used: it takes longer to load than headers take to be read."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..figures import Pictures
    from ..results import Record, ViewPlan
    from ..study import Study


def load() -> None:
    """Have it ready, where somebody is idle."""
    from .. import figures, page  # noqa: F401


def draw(
    study: Study,
    document: Mapping[str, Any],
    layout: ViewPlan | None,
    in_print: Callable[[Mapping[str, bytes]], object] | None = None,
) -> Pictures:
    """See :func:`mineralize.figures.draw`."""
    from .. import figures

    return figures.draw(study, document, layout, in_print)


def render_page(document: Mapping[str, Any], pictures: Pictures, impressions: Sequence[Record] = ()) -> str:
    """See :func:`mineralize.page.render_page`."""
    from .. import page

    return page.render_page(document, pictures, impressions)


def render_covered(document: Mapping[str, Any]) -> str:
    """See :func:`mineralize.page.render_covered`."""
    from .. import page

    return page.render_covered(document)


def place_impressions(html: str, records: Sequence[Record]) -> str:
    """See :func:`mineralize.page.place_impressions`."""
    from .. import page

    return page.place_impressions(html, records)


def render_pdf(
    study: Study, document: Mapping[str, Any], pictures: Pictures, impressions: Sequence[Record] = ()
) -> bytes:
    """See :func:`mineralize.page.render_pdf`."""
    from .. import page

    return page.render_pdf(study, document, pictures, impressions)


def reprint_pdf(document: Mapping[str, Any], files: Mapping[str, bytes], impressions: Sequence[Record] = ()) -> bytes:
    """See :func:`mineralize.page.reprint_pdf`."""
    from .. import page

    return page.reprint_pdf(document, files, impressions)
