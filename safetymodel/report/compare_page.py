"""Two revisions as one self-contained page."""

from __future__ import annotations

from safetymodel.report.compare_said import said_of_comparison
from safetymodel.report.compared import Compared
from safetymodel.report.page_blocks import shown
from safetymodel.report.pages import own_markup, page
from safetymodel.report.said import CAUTION, Words, one_line


def comparison_page(compared: Compared) -> str:
    """The page as HTML text: what the terminal says, laid out for reading and print. It has no script."""
    blocks = [
        block
        for block in said_of_comparison(compared)
        if not (isinstance(block, Words) and block.pieces[0][0] in ("old: ", "new: ", CAUTION) and not block.indent)
    ]
    return page(
        "compare.html.j2",
        revisions=[
            (word, one_line(run.system.title), run.system.file, run.system.sha256)
            for word, run in (("old", compared.old), ("new", compared.new))
        ],
        blocks=shown(blocks),
        caution=CAUTION,
        style=own_markup(page("style.css.j2")),
    )
