"""Tables and files that go out of a ledger and come into it."""
