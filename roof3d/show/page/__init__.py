"""The page: one front end for the reviewer's self-contained file and the designer's viewer."""

from roof3d.show.page.data import page_data
from roof3d.show.page.write import write_page

__all__ = ["page_data", "write_page"]
