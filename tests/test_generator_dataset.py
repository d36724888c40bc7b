"""Photographs on disk with their truth, photographs spoilt on purpose, and the JPEG step."""

from __future__ import annotations

import io
import json

import cv2
import numpy as np
import pytest
import torch
from PIL import Image

from crestgauge.inference.criteria import load_criteria
from crestgauge.synthetic_data.dataset import SCHEMA, DatasetOptions, _plan, write_dataset
from crestgauge.synthetic_data.options import UNUSABLE
from crestgauge.synthetic_data.phone import jpeg_like, sample_phone
from crestgauge.synthetic_data.scene import Conditions, levelled_camera, sample_specimen

CPU = torch.device("cpu")
PLAIN = Conditions(light="overcast", background="plain", stain="honey", shape="typical")
SMALL = DatasetOptions(long_side_px=(420, 480), px_per_mm=(3.0, 5.0), share_unusable=0.0, labels=True)


@pytest.fixture(scope="module")
def animal():
    return sample_specimen(np.random.default_rng(1), PLAIN, CPU, age_years=4.5, abnormal=False)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    out = tmp_path_factory.mktemp("drawn")
    return out, list(write_dataset(out, n=2, seed=3, device=CPU, options=SMALL))


def test_every_photo_has_its_truth_and_a_line(written):
    out, photos = written
    lines = [json.loads(line) for line in (out / "manifest.jsonl").read_text().splitlines()]
    assert [line["file"] for line in lines] == [p.name for p in photos]
    for path, line in zip(photos, lines, strict=True):
        truth = json.loads((out / "truth" / f"{path.stem}.json").read_text())
        assert line == {key: truth[key] for key in line}
        with Image.open(path) as photo:
            width, height = photo.size
        assert truth["schema"] == SCHEMA and (truth["width"], truth["height"]) == (width, height)
        assert truth["usable"] and truth["unusable"] == [] and truth["side"] in ("left", "right")
        assert truth["tilt_deg"] <= SMALL.tilt_deg + 3 and truth["px_per_mm"] > 0.9 * SMALL.px_per_mm[0]
        assert truth["age_class"] is None or truth["age_class"] in load_criteria(None).classes
        assert [t["position"] for t in truth["teeth"]] == [1, 2, 3, 4, 5, 6]
        tooth = cv2.imread(str(out / "labels" / f"{path.stem}.tooth.png"), cv2.IMREAD_UNCHANGED)
        for record in truth["teeth"]:
            check_tooth(record, tooth)


def check_tooth(record, tooth):
    """Box and centre are those of the label picture; lobe centres and crest lines lie in the grown box."""
    rows, cols = np.nonzero(tooth == record["position"])
    if record["state"] in ("absent", "missing"):
        assert record["crests"] == [] and record["lobes"] is None
        return
    box = record["box"]
    assert box == [cols.min(), rows.min(), cols.max(), rows.max()]
    np.testing.assert_allclose(record["centre"], [cols.mean(), rows.mean()], atol=0.006)
    assert record["lobes"] == len(record["lobe_centres"]) == len(record["crests"])
    for crest in record["crests"]:
        for x, y in (*crest["line"], *record["lobe_centres"]):
            assert box[0] - 3 <= x <= box[2] + 3 and box[1] - 3 <= y <= box[3] + 3
        if crest["ratio"]:
            assert crest["dentine_px"] > 0 and set(crest["ratio_by_definition"]) >= {
                "widest",
                "outer",
                "inner",
            }


def test_a_second_run_leaves_finished_photos_alone(written):
    out, photos = written
    before = [(p.stat().st_mtime_ns, p.read_bytes()) for p in photos]
    manifest = (out / "manifest.jsonl").read_bytes()
    lost = photos[1]
    lost.unlink()
    assert list(write_dataset(out, n=2, seed=3, device=CPU, options=SMALL)) == photos
    assert (photos[0].stat().st_mtime_ns, photos[0].read_bytes()) == before[0]
    assert lost.read_bytes() == before[1][1]  # and the lost one is drawn again, the same
    assert (out / "manifest.jsonl").read_bytes() == manifest


@pytest.mark.parametrize("kind", [None, *UNUSABLE])
def test_plans_spoil_one_thing(animal, kind):
    """Limits are those that the plan promises; 12 plans of each kind, nothing is drawn."""
    options, rng, row = DatasetOptions(), np.random.default_rng(6), animal.jaw.row_mm
    for _ in range(12):
        plan = _plan(rng, animal, options, kind)
        assert (36 <= plan.tilt_deg <= 50) == (kind == "tilted")
        assert (plan.tilt_deg >= 68) == (kind == "no_chewing_surface")
        assert (plan.tilt_deg <= options.tilt_deg) == (kind not in ("tilted", "no_chewing_surface"))
        assert (plan.px_per_mm < options.px_per_mm[0]) == (kind == "too_small")
        assert (plan.blur_px[0] / plan.px_per_mm > 0.3) == (kind == "blurred")
        assert (plan.cover is not None) == (kind == "covered")
        camera = levelled_camera(
            rng,
            animal,
            width=plan.size[0],
            height=plan.size[1],
            px_per_mm=plan.px_per_mm,
            tilt_deg=plan.tilt_deg,
            roll_deg=plan.roll_deg,
            offset_px=plan.offset_px,
        )
        ends = camera.project(np.array([[0.0, 0.0, 0.0], [row, 0.0, 0.0]]))
        inside = ((ends > 0) & (ends < np.array(plan.size) - 1)).all(axis=1)
        if kind == "cut_off":
            assert not inside[1]
        elif kind is None:
            assert inside.all()


def test_dark_and_glaring_exposures_lie_apart_from_usable_ones():
    rng = np.random.default_rng(2)
    dark, usual, glare = (
        [sample_phone(rng, dark=d, glare=g).exposure for _ in range(100)]
        for d, g in ((True, False), (False, False), (False, True))
    )
    assert max(dark) < min(usual) and max(usual) < min(glare)


@pytest.mark.parametrize("quality", [35, 60, 92])
def test_jpeg_step_does_what_pillow_does(quality):
    """
    Reference: a file written and read by Pillow (4:2:0). Pillow rounds to 8 bits (0.25 grey levels in the
    mean) and enlarges chroma in its own way: a third of what the compression itself changed.
    """
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:90, :119] / 16  # no multiple of 8: the border blocks are filled up
    base = np.stack([np.sin(x) + np.cos(y), np.sin(x + y), np.cos(2 * x - y)], -1) * 50 + 128
    picture = np.clip(base + rng.normal(0, 6, base.shape), 0, 255).round().astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, "JPEG", quality=quality, subsampling=2)
    reference = np.asarray(Image.open(io.BytesIO(buffer.getvalue())).convert("RGB")).astype(float)
    ours = (
        jpeg_like(torch.from_numpy(picture).permute(2, 0, 1).float() / 255, quality).permute(1, 2, 0).numpy()
        * 255
    )
    changed = np.abs(reference - picture).mean()
    assert np.abs(ours - reference).mean() < 0.27 + 0.33 * changed
