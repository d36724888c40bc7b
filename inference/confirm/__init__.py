"""What the review page says and does, without a web in it: corrections, profiles, page contexts, calls."""
