"""`benchwarden invoice`: put the record of a run on, beside or in the place of an invoice."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    invoice = commands.add_parser("invoice", help="send the record of a run with an invoice")
    what = invoice.add_subparsers(required=True, metavar="add|companion|bundle")

    onto = what.add_parser("add", help="attach record and bias log to an invoice PDF that any program made")
    onto.add_argument("invoice", type=Path, metavar="INVOICE.pdf", help="it is never changed")
    onto.add_argument("run_dir", type=Path, metavar="RUN")
    onto.add_argument("-o", "--output", type=Path, required=True, metavar="OUT.pdf", help="the invoice with the record")
    onto.add_argument("--page", action="store_true", help="the bias log as a further page, too")
    onto.set_defaults(command=_add)

    beside = what.add_parser("companion", help="put record and bias log beside an invoice, under its name")
    beside.add_argument("invoice", type=Path, metavar="INVOICE.pdf", help="only read; may be signed or encrypted")
    beside.add_argument("run_dir", type=Path, metavar="RUN")
    beside.add_argument("-o", "--output", type=Path, metavar="DIR", help="default: the invoice's folder")
    beside.set_defaults(command=_companion)

    packed = what.add_parser("bundle", help="pack all that was sealed of a run into one ZIP file")
    packed.add_argument("run_dir", type=Path, metavar="RUN")
    packed.add_argument("-o", "--output", type=Path, metavar="OUT.zip", help="default: RUN.zip beside the run")
    packed.set_defaults(command=_bundle)


def _add(args: argparse.Namespace) -> int:
    from benchwarden.invoice.attach import attach_to_invoice
    from benchwarden.invoice.enclosures import papers_of

    papers = papers_of(args.run_dir)
    done = attach_to_invoice(args.invoice, papers, args.output, with_page=args.page)
    lines = [f"Written: {done.out} ({done.pages[0]} pages of the invoice, {done.pages[1]} added)"]
    lines += [f"Attached: {name}" for name in done.names]
    lines += [f"Note: {words}" for words in done.notes]
    lines += [f"Note: {paper.name} carries no seal; it cannot be verified later." for paper in papers if not paper.head]
    print("\n".join(lines))
    return 0


def _companion(args: argparse.Namespace) -> int:
    from benchwarden.invoice.companion import write_companion
    from benchwarden.invoice.enclosures import papers_of

    done = write_companion(args.invoice, papers_of(args.run_dir), args.output or args.invoice.parent)
    print("\n".join(f"Written: {path}" for path in (*done.papers, done.relation)))
    return 0


def _bundle(args: argparse.Namespace) -> int:
    from benchwarden.invoice.bundle import write_bundle

    folder = args.run_dir.resolve()
    out = args.output or folder.with_name(folder.name + ".zip")
    names = write_bundle(args.run_dir, out)
    print(f"Written: {out}\nIn it: {', '.join(names)}")
    return 0
