"""The record on its way to the customer: attached to the invoice, beside it, or in a bundle."""
