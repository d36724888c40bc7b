"""
The review page: where a person confirms, corrects and calls.

What a template gets: ``page`` (a `crestgauge.inference.confirm.views.Page`), ``csrf`` (token of the
session), ``reader`` (name or ""), ``mode`` ("open" or "blind"); where there is something to say, ``notice``
or ``error`` (one sentence); on the jaw page ``message`` (prepared request for another photo) where a retake
can be called; on the page of a picture that is being read ``job`` with ``state`` ("waiting", "reading",
"done", "failed"), ``stage`` (index into ``stages``), ``stages``, ``words``, ``error``, ``specimen_id`` and
``photo_id``, which is also its JSON. Filters are `crestgauge.cli.review.drawing.FILTERS`. ``answer.html`` is
the answer to corrections that are not kept yet: the parts of ``jaw.html`` that they change.
"""
