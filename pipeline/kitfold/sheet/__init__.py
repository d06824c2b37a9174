"""Pages and pictures from a manifest: the kit sheet."""

from kitfold.sheet.page import page_template, sheet_files, sheet_page, sheet_parts

__all__ = ["page_template", "sheet_files", "sheet_page", "sheet_parts"]
