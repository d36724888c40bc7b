"""From a ledger to a season's age structure: shares, survival and one page."""
