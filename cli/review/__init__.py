"""The review page: where a person confirms, corrects and calls."""
