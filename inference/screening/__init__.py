"""Bulk pre-screening: many photos in, three heaps and a ledger out, whatever happens on the way."""
