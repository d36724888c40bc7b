"""
Statistics for comparing ages and measured widths: pure functions on arrays, and the study built from them.

`ages` and `align` turn written ages into classes, once and in the open; `agreement`, `kappa`, `symmetry`,
`age_bias`, `bland_altman`, `icc`, `gauge`, `alpha`, `consensus` and `planning` are the statistics, each with
its published source; `calibrate` fits criteria thresholds to animals of known age; `study` joins them;
`report` and `files` are the edges that write and read.
"""
