"""
What the kit says to people: cautions, steps, advice on instruments. One place for sheets and page.

Sources of the cautions stand in DEVELOPERS.md, "Published facts". Agencies differ and rules change every
year, so each caution defers to the local agency.
"""

from __future__ import annotations

from typing import Final

PROPOSAL: Final = "Every age, a reader's as the tool's, is a proposal for a trained person to confirm."

CAUTIONS: Final = (
    "Local rules come first. Ask your agency before you take heads or jaws, and again each "
    "season: what may be moved, kept or thrown away differs by state and by zone.",
    "Samples for disease tests come before the study. Lymph nodes and tonsils lie close to the "
    "jaw: where heads are sampled, let the sampler finish, or ask how the jaw may be taken. "
    "Write down the sample's number.",
    "Wear gloves. Do not handle animals that looked sick. Keep away from brain, spinal cord, "
    "eyes, tonsils and lymph nodes; do not use kitchen knives; wash hands and tools.",
    "Where chronic wasting disease occurs: boiling or bleaching does not reliably make a jaw "
    "safe. Follow your agency on cleaning and disposal. Do not post jaws; send photos.",
    "Bovine tuberculosis shows first in the lymph nodes of the head; hunters have been infected"
    " through cuts and while dressing. Stop and ask where you see abscesses.",
    "Knives, loppers and jaw spreaders slip: cut away from the body, wear a cut-resistant glove"
    " under the rubber one, and never work alone when tired (common practice). Broken bone and "
    "worn teeth are sharp.",
    "Write no position finer than you want known. The tool keeps none.",
)
"""Customary cautions, each deferring to local rules."""

STEPS: Final = (
    "Keeper: one person keeps ids, known ages and the key of codes, and does not read.",
    "Clean and dry the cheek teeth; brush food out of the hollows. Say in the photo log if a jaw is wet.",
    "First photo of every jaw: card beside the teeth and level with them, phone straight above, no flash.",
    "Put jaw, card and phone away. Second photo later, best on another day: set everything up "
    "again from nothing. Never take both photos in a row.",
    "Name the photos as in photos.csv, or write the camera's names into that table.",
    "Readers: each alone, in the order of the sheet, without ages, ids, the tool or the other "
    "reader. Cover the id on the card. Second reading at least a week later, on its own sheet.",
    "By hand: same jaw side as on the photo, teeth 4 to 6 from the front, tongue side, lobes 1 "
    "and 2; at the middle of each crest, square to it: dark dentine, white band towards the "
    'tongue (outer), white band towards the hollow (inner). A worn-away inner band is "gone"; '
    "no dentine is 0.",
    "Repeat by hand without looking at the first values. The repeats stand apart on the sheet for that.",
    "Type the sheets into the tables as they stand. Leave a cell empty rather than guess.",
    "Known age only where it is known: tagged as a fawn, born in a pen. A tagged adult gives a "
    "minimum age. Cementum: the count as the laboratory wrote it, with its grade.",
)
"""The study, step by step."""

INSTRUMENT: Final = (
    "The bands are 0.5 mm and more wide. Use callipers with knife-edged jaws that read 0.01 mm,"
    " or a magnifier with a scale (common practice). Rounding to a step d gives a standard "
    "uncertainty of 0.29 d (JCGM 100:2008, F.2.2.1): with 0.01 mm that is 0.5 % of a band of "
    "0.6 mm, with 0.05 mm 2.4 %, with 0.1 mm 4.8 %. Check zero and a gauge block or a coin of "
    "known thickness before each session, and write down which callipers."
)
"""What to measure with. 0.29 x 0.01 / 0.6 = 0.5 %, and so on."""
