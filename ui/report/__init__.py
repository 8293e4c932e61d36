"""A report on paper: content as data in, one or two A4 pages of PDF/A-2b out.

Every value reaches the page as data of one JSON text; nothing is ever pasted into the source of a page, so a
patient code that looks like markup is printed letter for letter.
"""

from ui.report.pdf import page_data, write_pdf, write_summary_pdf, write_trace_picture

__all__ = ["page_data", "write_pdf", "write_summary_pdf", "write_trace_picture"]
