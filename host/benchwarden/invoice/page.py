"""Adds one page behind the last of an invoice, without touching the pages it has."""

from __future__ import annotations

import pikepdf

from benchwarden.proof.pdf_update import PdfError, opened


def page_added(pdf: pikepdf.Pdf, paper: bytes) -> list[pikepdf.Object]:
    """Copy the first page of `paper` behind the last page and return which objects changed.

    Raises:
        PdfError: the invoice's page tree cannot be added to, or `paper` has not one page.
    """
    tree = pdf.Root.get("/Pages")
    if not isinstance(tree, pikepdf.Dictionary) or not tree.is_indirect:
        raise PdfError("the PDF is damaged: its pages are no tree")
    kids, count = tree.get("/Kids"), tree.get("/Count")
    if not isinstance(kids, pikepdf.Array) or not isinstance(count, int):
        raise PdfError("the PDF is damaged: its pages are no tree")
    with opened(paper, "the page to be added") as source:
        if len(source.pages) != 1:
            raise PdfError(f"the page to be added comes with {len(source.pages)} pages, not one")
        page = _copied(pdf, source, tree)
    tree.Kids = pikepdf.Array([*(kids[i] for i in range(len(kids))), page])
    tree.Count = count + 1
    return [tree]


def _copied(pdf: pikepdf.Pdf, source: pikepdf.Pdf, tree: pikepdf.Object) -> pikepdf.Object:
    found = source.pages[0]
    box = [float(one) for one in found.mediabox]
    resources = pdf.copy_foreign(source.make_indirect(found.resources))
    contents = found.obj.Contents
    copied: pikepdf.Object
    if isinstance(contents, pikepdf.Array):
        copied = pikepdf.Array([pdf.copy_foreign(contents[i]) for i in range(len(contents))])
    else:
        copied = pdf.copy_foreign(contents)
    # All that could be inherited from the invoice's own pages is said here.
    return pdf.make_indirect(
        pikepdf.Dictionary(
            Type=pikepdf.Name.Page,
            Parent=tree,
            MediaBox=box,
            CropBox=box,
            Rotate=0,
            Resources=resources,
            Contents=copied,
        )
    )
