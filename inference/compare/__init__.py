"""
Statistics for comparing ages and measured widths: pure functions on arrays, and the study built from them.

- `ages`, `align`: written ages become classes, once and in the open; sets side by side, every row accounted
  for.
- `agreement`, `kappa`, `symmetry`, `age_bias`, `bland_altman`, `icc`, `gauge`, `alpha`, `consensus`,
  `planning`: the statistics, each with its published source.
- `thresholds`, `criteria_text`, `ordinal`, `separation`: what measured values say of known ages.
- `study`, `measures`, `assemble`: everything that some sets and measurements allow.
- `report`, `tables`, `svg`, `methods`: the same results as page, JSON, CSV and a paragraph.
- `files`, `from_ledger`: edges that read. `demo`: the worked study on drawn jaws.

Needs the extra ``compare``.
"""
