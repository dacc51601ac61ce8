"""The firmware specification: Markdown and one self-contained HTML page, read from the rows."""

from simfw.report.specification.assemble import document_of, specification_files

__all__ = ["document_of", "specification_files"]
