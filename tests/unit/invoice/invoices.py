"""Invoices as other programs make them, all of them invented, and papers to go with them."""

from __future__ import annotations

import functools
from collections.abc import Callable
from io import BytesIO

import facturx
import pikepdf
import pypdf
import typst

from benchwarden.invoice.enclosures import BIAS_LOG_NAME, RECORD_NAME, Paper
from benchwarden.proof.pdf_seal import sealed_pdf

HEAD = "5e" * 32
# A whole invoice by EN 16931 in the cross-industry syntax: one line, 19 % tax. Names and numbers are invented.
EN_16931 = b"""<?xml version="1.0" encoding="UTF-8"?>
<rsm:CrossIndustryInvoice xmlns:rsm="urn:un:unece:uncefact:data:standard:CrossIndustryInvoice:100"
 xmlns:ram="urn:un:unece:uncefact:data:standard:ReusableAggregateBusinessInformationEntity:100"
 xmlns:udt="urn:un:unece:uncefact:data:standard:UnqualifiedDataType:100">
 <rsm:ExchangedDocumentContext><ram:GuidelineSpecifiedDocumentContextParameter>
  <ram:ID>urn:cen.eu:en16931:2017</ram:ID>
 </ram:GuidelineSpecifiedDocumentContextParameter></rsm:ExchangedDocumentContext>
 <rsm:ExchangedDocument><ram:ID>2041</ram:ID><ram:TypeCode>380</ram:TypeCode>
  <ram:IssueDateTime><udt:DateTimeString format="102">20261129</udt:DateTimeString></ram:IssueDateTime>
 </rsm:ExchangedDocument>
 <rsm:SupplyChainTradeTransaction>
  <ram:IncludedSupplyChainTradeLineItem>
   <ram:AssociatedDocumentLineDocument><ram:LineID>1</ram:LineID></ram:AssociatedDocumentLineDocument>
   <ram:SpecifiedTradeProduct><ram:Name>Repair and burn-in</ram:Name></ram:SpecifiedTradeProduct>
   <ram:SpecifiedLineTradeAgreement><ram:NetPriceProductTradePrice>
    <ram:ChargeAmount>200.00</ram:ChargeAmount></ram:NetPriceProductTradePrice></ram:SpecifiedLineTradeAgreement>
   <ram:SpecifiedLineTradeDelivery><ram:BilledQuantity unitCode="C62">1</ram:BilledQuantity>
   </ram:SpecifiedLineTradeDelivery>
   <ram:SpecifiedLineTradeSettlement><ram:ApplicableTradeTax><ram:TypeCode>VAT</ram:TypeCode>
    <ram:CategoryCode>S</ram:CategoryCode><ram:RateApplicablePercent>19</ram:RateApplicablePercent>
    </ram:ApplicableTradeTax><ram:SpecifiedTradeSettlementLineMonetarySummation>
    <ram:LineTotalAmount>200.00</ram:LineTotalAmount></ram:SpecifiedTradeSettlementLineMonetarySummation>
   </ram:SpecifiedLineTradeSettlement>
  </ram:IncludedSupplyChainTradeLineItem>
  <ram:ApplicableHeaderTradeAgreement>
   <ram:SellerTradeParty><ram:Name>Invented Workshop</ram:Name><ram:PostalTradeAddress>
    <ram:CountryID>DE</ram:CountryID></ram:PostalTradeAddress><ram:SpecifiedTaxRegistration>
    <ram:ID schemeID="VA">DE000000000</ram:ID></ram:SpecifiedTaxRegistration></ram:SellerTradeParty>
   <ram:BuyerTradeParty><ram:Name>M. Lindqvist</ram:Name><ram:PostalTradeAddress>
    <ram:CountryID>DE</ram:CountryID></ram:PostalTradeAddress></ram:BuyerTradeParty>
  </ram:ApplicableHeaderTradeAgreement>
  <ram:ApplicableHeaderTradeDelivery/>
  <ram:ApplicableHeaderTradeSettlement><ram:InvoiceCurrencyCode>EUR</ram:InvoiceCurrencyCode>
   <ram:ApplicableTradeTax><ram:CalculatedAmount>38.00</ram:CalculatedAmount><ram:TypeCode>VAT</ram:TypeCode>
    <ram:BasisAmount>200.00</ram:BasisAmount><ram:CategoryCode>S</ram:CategoryCode>
    <ram:RateApplicablePercent>19</ram:RateApplicablePercent></ram:ApplicableTradeTax>
   <ram:SpecifiedTradePaymentTerms><ram:DueDateDateTime><udt:DateTimeString format="102">20261229</udt:DateTimeString>
    </ram:DueDateDateTime></ram:SpecifiedTradePaymentTerms>
   <ram:SpecifiedTradeSettlementHeaderMonetarySummation><ram:LineTotalAmount>200.00</ram:LineTotalAmount>
    <ram:TaxBasisTotalAmount>200.00</ram:TaxBasisTotalAmount>
    <ram:TaxTotalAmount currencyID="EUR">38.00</ram:TaxTotalAmount>
    <ram:GrandTotalAmount>238.00</ram:GrandTotalAmount><ram:DuePayableAmount>238.00</ram:DuePayableAmount>
   </ram:SpecifiedTradeSettlementHeaderMonetarySummation>
  </ram:ApplicableHeaderTradeSettlement>
 </rsm:SupplyChainTradeTransaction>
</rsm:CrossIndustryInvoice>
"""


def typeset(body: str, standard: str | None = None) -> bytes:
    dated = (
        '#set document(title: "Invoice 2041", date: datetime(year: 2026, month: 11, day: 29))\n#set page(height: 9cm)\n'
    )
    standards = {} if standard is None else {"pdf_standards": [standard]}
    return bytes(typst.compile((dated + body).encode(), format="pdf", ignore_system_fonts=True, **standards))


PAGES = "= Invoice 2041\nRepair and burn-in: 238.00\n#pagebreak()\n= Terms\nDue in 30 days."


@functools.cache
def papers() -> tuple[Paper, ...]:
    record = typeset("= Record\n#pagebreak()\n= Measurements", "a-3b")
    log = typeset("= Bias log\nSteady.", "a-3b")
    return (
        Paper(RECORD_NAME, sealed_pdf(record, HEAD, None), "Burn-in record", HEAD),
        Paper(BIAS_LOG_NAME, sealed_pdf(log, HEAD, None), "Bias log", HEAD),
    )


def saved(pdf: pikepdf.Pdf, **options: object) -> bytes:
    out = BytesIO()
    pdf.save(out, **options)  # type: ignore[arg-type]
    return out.getvalue()


def resaved(**options: object) -> bytes:
    with pikepdf.open(BytesIO(typeset(PAGES))) as pdf:
        return saved(pdf, **options)


def two_of_one_name() -> bytes:
    """Return an invoice with two attachments both called data.xml, in a tree with a level between."""
    with pikepdf.open(BytesIO(typeset(PAGES))) as pdf:
        specs = []
        for data in (b"<first/>", b"<second/>"):
            stream = pdf.make_stream(data)
            stream.Type = pikepdf.Name.EmbeddedFile
            spec = pikepdf.Dictionary(Type=pikepdf.Name.Filespec, F="data.xml", UF="data.xml")
            spec.EF = pikepdf.Dictionary(F=stream)
            specs.append(pdf.make_indirect(spec))
        leaf = pikepdf.Dictionary(Names=["data.xml", specs[0], "data.xml", specs[1]], Limits=["data.xml", "data.xml"])
        pdf.Root.Names = pdf.make_indirect(
            pikepdf.Dictionary(EmbeddedFiles=pdf.make_indirect(pikepdf.Dictionary(Kids=[pdf.make_indirect(leaf)])))
        )
        return saved(pdf)


def with_record_already() -> bytes:
    writer = pypdf.PdfWriter(clone_from=BytesIO(typeset(PAGES)))
    writer.add_attachment("record.pdf", b"somebody else's record")
    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def updated_before() -> bytes:
    """Return an invoice that has had an incremental update already, as a stamp leaves it."""
    writer = pypdf.PdfWriter(BytesIO(typeset(PAGES)), incremental=True)
    writer.add_metadata({"/Subject": "reminder"})
    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def with_form() -> bytes:
    """Return an invoice with a note, a text field and a field that waits for a signature."""
    with pikepdf.open(BytesIO(typeset(PAGES))) as pdf:
        page = pdf.pages[0]
        note = pikepdf.Dictionary(
            Type=pikepdf.Name.Annot, Subtype=pikepdf.Name.Text, Rect=[10, 10, 30, 30], Contents="paid?"
        )
        field = pikepdf.Dictionary(
            Type=pikepdf.Name.Annot,
            Subtype=pikepdf.Name.Widget,
            FT=pikepdf.Name.Tx,
            T="reference",
            V="2041",
            Rect=[40, 10, 90, 30],
        )
        empty = pikepdf.Dictionary(
            Type=pikepdf.Name.Annot, Subtype=pikepdf.Name.Widget, FT=pikepdf.Name.Sig, T="sign here", Rect=[0, 0, 0, 0]
        )
        made = [pdf.make_indirect(one) for one in (note, field, empty)]
        page.obj.Annots = pikepdf.Array(made)
        pdf.Root.AcroForm = pikepdf.Dictionary(Fields=made[1:], SigFlags=1, DA="/Helv 0 Tf")
        return saved(pdf)


def inheriting() -> bytes:
    """Return an invoice whose page size and turn stand in the page tree, not in its pages."""
    with pikepdf.open(BytesIO(typeset(PAGES))) as pdf:
        tree = pdf.Root.Pages
        tree.MediaBox = pdf.pages[0].obj.MediaBox
        tree.Rotate = 90
        for page in pdf.pages:
            del page.obj.MediaBox
        return saved(pdf)


@functools.cache
def structured(name: str = "factur-x") -> bytes:
    """Return an invoice with the structured one inside, made by the library that also checks it."""
    plain = typeset(PAGES)
    return bytes(
        facturx.generate_from_binary(
            plain, EN_16931, flavor=name, level="en16931", check_xsd=True, check_schematron=False
        )
    )


GOOD: dict[str, Callable[[], bytes]] = {
    "table": lambda: typeset(PAGES),
    "PDF/A-3b": lambda: typeset(PAGES, "a-3b"),
    "object streams": lambda: resaved(object_stream_mode=pikepdf.ObjectStreamMode.generate),
    "no object streams": lambda: resaved(object_stream_mode=pikepdf.ObjectStreamMode.disable),
    "linearized": lambda: resaved(linearize=True),
    "linearized with streams": lambda: resaved(linearize=True, object_stream_mode=pikepdf.ObjectStreamMode.generate),
    "two of one name": two_of_one_name,
    "a record already": with_record_already,
    "updated before": updated_before,
    "form and note": with_form,
    "inherited page size": inheriting,
    "structured": structured,
}


def signed(how: str) -> bytes:
    with pikepdf.open(BytesIO(typeset(PAGES))) as pdf:
        value = pikepdf.Dictionary(
            Type=pikepdf.Name.Sig, Filter=pikepdf.Name("/Adobe.PPKLite"), ByteRange=[0, 10, 20, 10], Contents=b"\0" * 8
        )
        field = pikepdf.Dictionary(FT=pikepdf.Name.Sig, T="signature", V=pdf.make_indirect(value))
        if how == "field":
            pdf.Root.AcroForm = pikepdf.Dictionary(Fields=[pdf.make_indirect(field)])
        elif how == "nested":
            del field.FT
            above = pikepdf.Dictionary(FT=pikepdf.Name.Sig, T="all", Kids=[pdf.make_indirect(field)])
            pdf.Root.AcroForm = pikepdf.Dictionary(Fields=[pdf.make_indirect(above)])
        elif how == "stray":
            pdf.Root.Extra = pdf.make_indirect(value)
        else:
            pdf.Root.Perms = pikepdf.Dictionary(DocMDP=pdf.make_indirect(value))
        return saved(pdf)


def encrypted(user: str, aes: bool) -> bytes:
    rights = pikepdf.Encryption(owner="owner", user=user, R=6 if aes else 3, aes=aes, metadata=aes)
    with pikepdf.open(BytesIO(typeset(PAGES))) as pdf:
        return saved(pdf, encryption=rights)


def special(key: str) -> bytes:
    with pikepdf.open(BytesIO(typeset(PAGES))) as pdf:
        if key == "XFA":
            pdf.Root.AcroForm = pikepdf.Dictionary(Fields=[], XFA=pdf.make_stream(b"<xdp/>"))
        elif key == "portfolio":
            pdf.Root.Collection = pikepdf.Dictionary(Type=pikepdf.Name.Collection)
        elif key == "no pages":
            del pdf.pages[:]
        else:
            pdf.Root.Names = pikepdf.Dictionary()
            node = pdf.make_indirect(pikepdf.Dictionary())
            node.Kids = pikepdf.Array([node])
            pdf.Root.Names.EmbeddedFiles = node
        return saved(pdf)
