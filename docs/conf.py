"""The site of these pages: Sphinx reads Markdown by MyST. Build it with `make docs`; it needs no network."""

import re

from sphinx.application import Sphinx

project = "nodeday"
author = "nodeday contributors"
project_copyright = "nodeday contributors, Apache-2.0"

extensions = ["myst_parser"]
myst_enable_extensions = ["fieldlist"]
myst_heading_anchors = 4
exclude_patterns = ["_build", "pictures"]

html_theme = "furo"
html_title = "nodeday"
html_static_path: list[str] = []
html_copy_source = False
html_show_sphinx = False

# These lie elsewhere in the repository, where their readers look for them; the site includes them.
ELSEWHERE = {
    "config/layouts/README.md": "/reference/layouts.md",
    "DICTIONARY.md": "/reference/tables.md",
    "README.md": "/index.md",
}


def _link_inside(_app: Sphinx, _name: str, source: list[str]) -> None:
    """Turn links to these files into links to their pages."""
    for path, page in ELSEWHERE.items():
        source[0] = re.sub(rf"\]\((?:\.\./)+{re.escape(path)}", f"]({page}", source[0])


def setup(app: Sphinx) -> None:
    """Connect what this site does of its own."""
    app.connect("source-read", _link_inside)
