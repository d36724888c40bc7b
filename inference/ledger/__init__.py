"""The ledger: specimens, photos, readings and calls, to which rows are only ever added."""
