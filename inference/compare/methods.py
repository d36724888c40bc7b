"""
A methods paragraph that can be pasted: what was compared, how, with which versions, after which sources.
"""

from __future__ import annotations

from collections.abc import Mapping

from crestgauge.inference.compare.estimate import MIN_FOR_BOOTSTRAP, N_BOOTSTRAP
from crestgauge.inference.compare.study import Study
from crestgauge.inference.compare.thresholds import (
    CLASSES_PER_SIDE,
    FOLDS,
    MIN_PER_SIDE,
    N_FIT_RESAMPLES,
    Calibration,
)

SOURCES: Mapping[str, str] = {
    "wilson": "Wilson 1927, J. Am. Stat. Assoc. 22:209-212",
    "campana": "Campana, Annand & McMillan 1995, Trans. Am. Fish. Soc. 124:131-138",
    "ape": "Beamish & Fournier 1981, Can. J. Fish. Aquat. Sci. 38:982-983",
    "acv": "Chang 1982, Can. J. Fish. Aquat. Sci. 39:1208-1210",
    "kappa": "Cohen 1960, Educ. Psychol. Meas. 20:37-46",
    "weighted": "Cohen 1968, Psychol. Bull. 70:213-220",
    "kappa_se": "Fleiss, Cohen & Everitt 1969, Psychol. Bull. 72:323-327",
    "bowker": "Bowker 1948, J. Am. Stat. Assoc. 43:572-574",
    "evans": "Evans & Hoenig 1998, Biometrics 54:620-629",
    "mcnemar": "McNemar 1947, Psychometrika 12:153-157",
    "holm": "Holm 1979, Scand. J. Statist. 6:65-70",
    "alpha": "Krippendorff 2011, Computing Krippendorff's alpha-reliability",
    "icc": "Shrout & Fleiss 1979, Psychol. Bull. 86:420-428",
    "icc2": "McGraw & Wong 1996, Psychol. Methods 1:30-46",
    "bootstrap": "Efron & Tibshirani 1993, An Introduction to the Bootstrap",
    "bland": "Bland & Altman 1986, Lancet 327:307-310",
    "deming": "Cornbleet & Gochman 1979, Clin. Chem. 25:432-438",
    "linnet": "Linnet 1993, Clin. Chem. 39:424-432",
    "gum": "JCGM 100:2008, Guide to the Expression of Uncertainty in Measurement",
    "gauge": "AIAG 2010, Measurement Systems Analysis, 4th ed.",
    "welch": "Welch 1951, Biometrika 38:330-336",
    "bagging": "Breiman 1996, Mach. Learn. 24:123-140",
}


def methods_paragraph(
    *,
    study: Study | None,
    calibration: Calibration | None,
    has_repeats: bool,
    has_pairs: bool,
    versions: Mapping[str, str],
) -> str:
    """One paragraph; sources in square brackets are keys of the list that `used_sources` gives."""
    sentences = []
    if study is not None:
        sentences += _ages(study)
    if has_repeats:
        sentences.append(
            "Repeatability of measured values was taken from repeated photos or readings: pooled "
            "within-animal standard deviation, intraclass correlations [icc, icc2] and, where every "
            "reader measured every animal in every trial, gauge repeatability and reproducibility by "
            "averages and ranges and by analysis of variance [gauge]."
        )
    if has_pairs:
        sentences.append("Ways of measuring were compared by limits of agreement (mean -/+ 1.96 SD) [bland].")
    if calibration is not None:
        sentences.append(
            f"Thresholds of the key were fitted to {calibration.n_animals} animals of known age: for each "
            "step the threshold with the least weighted share of wrong answers among the "
            f"{CLASSES_PER_SIDE} age classes on either side, each class weighted equally, as the median of "
            f"{N_FIT_RESAMPLES} resamples [bagging] with percentile interval. A threshold replaced the "
            f"starting one only with at least {MIN_PER_SIDE} animals on either side, an interval that "
            f"leaves out the starting value, and more right answers in {FOLDS}-fold cross-validation by "
            f"animal (seed {calibration.seed})."
        )
    named = ", ".join(f"{name} {version}" for name, version in versions.items())
    sentences.append(f"Computed with {named}.")
    return " ".join(sentences)


def _ages(study: Study) -> list[str]:
    scale = study.aligned.scale
    n = sum(bool((row >= 0).sum() > 1) for row in study.aligned.codes)
    names = ", ".join(study.aligned.names)
    out = [
        f"Ages of {n} animals from {len(study.sets)} sets ({names}) were compared on the classes "
        f"{', '.join(scale.labels)}."
    ]
    out += [s for s in study.statements[1:] if not s.startswith("Classes")]
    if study.reference is not None:
        out.append(f"Bias is the assigned age minus {study.reference}, so positive means too old.")
    out.append(
        "Percent agreement is given with Wilson's interval [wilson]; average percent error after [ape] "
        "and the coefficient of variation after [acv], both and the mean absolute error with percentile "
        f"bootstrap intervals over animals [bootstrap] ({N_BOOTSTRAP} resamples, seed {study.seed}, from "
        f"{MIN_FOR_BOOTSTRAP} animals on); mean bias with a t interval; Cohen's kappa [kappa], with linear "
        "and quadratic weights [weighted], with large-sample intervals [kappa_se]. Symmetry of "
        "disagreement was tested without pooling [bowker], pooled by size of difference [evans] and "
        "pooled altogether [mcnemar]; mean assigned age at each reference age by t-tests [campana] "
        "adjusted by Holm's method [holm]."
    )
    if study.group is not None:
        out.append("All sets together: Krippendorff's alpha [alpha] and intraclass correlations [icc, icc2].")
    if study.contests:
        out.append(
            "Sets were compared in being right on the same animals by exact McNemar tests [mcnemar, holm]."
        )
    if study.stratum_tests:
        out.append(
            "Differences of bias between strata were tested by Welch's analysis of variance [welch, holm]."
        )
    return out


def used_sources(paragraph: str) -> dict[str, str]:
    """The sources that a paragraph names, by key."""
    import re

    keys = {key.strip() for group in re.findall(r"\[([a-z_0-9, ]+)\]", paragraph) for key in group.split(",")}
    return {key: words for key, words in SOURCES.items() if key in keys}
