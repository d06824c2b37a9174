"""Pages and pictures from a manifest: the kit sheet."""

from kitfold.sheet.page import sheet_files, sheet_page

__all__ = ["sheet_files", "sheet_page"]
