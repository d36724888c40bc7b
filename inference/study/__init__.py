"""
A first study on real jaws: planned, printed, scored.

- `plan`: how many animals for which aim, which of them are measured by hand and read twice, in which blind
  order. Pure.
- `forms`, `sheets`, `plan_page`: the tables to type into, the sheets to print, the plan as a page.
- `kit`: edge that reads the filled tables (or a ledger) back. `score`: every result of the study from them,
  by the statistics of `crestgauge.inference.compare`. `score_page`: the results as page, JSON and CSV.
- `demo`: the whole kit filled in for drawn jaws, with errors that were put in.

Needs the extras ``compare`` and, for the sheets, ``card``.
"""
