"""The firmware specification: Markdown and one self-contained HTML page, read from the rows."""

from simfw.report.specification.assemble import document_files, document_of, specification_files
from simfw.report.specification.subject import subject_of

__all__ = ["document_files", "document_of", "specification_files", "subject_of"]
