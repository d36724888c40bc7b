"""
Biases that follow the look: which kind of photo one is, what it then gets, and how a retraining measures it.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import torch
from scipy.stats import norm

from crestgauge.inference.edge_file import load_edge_model, load_look_bias, write_edge_model, write_look_bias
from crestgauge.inference.errors import InputError, WeightsError
from crestgauge.inference.labels.rereading import look_in
from crestgauge.inference.look_bias import LookBias, LookLaw, own_law
from crestgauge.inference.looks import LOOKS, OF_THE_PICTURE
from crestgauge.inference.pipeline import Reader, ReadOptions, Result
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.model.local import EDGE_FILE, LOOK_FILE, MANIFEST, WeightsSet, find_set
from crestgauge.training import look_bias as module
from crestgauge.training.batch import Packed, crown_code
from crestgauge.training.look_bias import Moves, elsewhere_of, follow_look, moved_on_drawn
from crestgauge.training.own_look import crown_look
from crestgauge.training.prints import as_print
from crestgauge.training.recalibrate import with_bias

PHOTO = Path(str(files("crestgauge.inference"))) / "examples" / "alder-fork-104.jpg"


def law(mean: float, sd: float, photos: int = 40) -> LookLaw:
    """The same normal law for every look."""
    return LookLaw(
        photos=photos, mean=dict.fromkeys(OF_THE_PICTURE, mean), sd=dict.fromkeys(OF_THE_PICTURE, sd)
    )


def bias(own: LookLaw, elsewhere: LookLaw) -> LookBias:
    return LookBias(own=own, elsewhere=elsewhere, dentine_bias_px=-0.2, enamel_bias_px=0.1)


def test_the_share_is_that_of_bayes_rule():
    """Densities by scipy, for a look that lacks one of the numbers."""
    own, other = law(1.0, 0.5), law(-0.5, 2.0)
    look = {name: float(v) for name, v in zip(OF_THE_PICTURE, np.linspace(-1, 1.6, 7), strict=True)}
    del look["contrast"]
    values = np.array(list(look.values()))
    a, b = norm.pdf(values, 1.0, 0.5).prod(), norm.pdf(values, -0.5, 2.0).prod()
    assert bias(own, other).share(look) == pytest.approx(a / (a + b))
    assert bias(own, other).share({}) == 0.5
    assert bias(own, other).share(dict.fromkeys(OF_THE_PICTURE, 1.0)) > 0.99
    assert bias(own, other).share(dict.fromkeys(OF_THE_PICTURE, 1e6)) == pytest.approx(0.0, abs=1e-12)


def test_confidence_of_the_network_is_no_look():
    """A network trained on own photos is sure of them; every sure photo would be an own one."""
    assert set(LOOKS) - set(OF_THE_PICTURE) == {"unsure_surface", "unsure_number"}


def test_a_photo_between_both_gets_a_mixture_and_its_doubt():
    """Mean and variance of a choice between two biases, by drawing 400,000 (se of the variance 0.2 %)."""
    both, edge = (
        bias(law(0.3, 1.0), law(0.0, 1.0)),
        EdgeModel(common_px=0.3, dentine_bias_px=0.6, enamel_bias_px=0.0),
    )
    look = dict.fromkeys(OF_THE_PICTURE, -0.1)
    found, share = both.edge_model(edge, look), both.share(look)
    assert 0.2 < share < 0.8
    drawn = np.where(np.random.default_rng(3).random(400_000) < share, 0.6, -0.2)
    assert found.dentine_bias_px == pytest.approx(drawn.mean(), abs=0.003)
    assert found.enamel_bias_px == pytest.approx((1 - share) * 0.1)
    # A width has two edges: its variance is twice that of an edge.
    assert 2 * (found.common_px**2 - 0.3**2) == pytest.approx(drawn.var(), rel=0.01)
    assert replace(found, dentine_bias_px=0.6, enamel_bias_px=0.0, common_px=0.3) == edge


def test_photos_of_a_kind_keep_what_is_known_of_them():
    both, edge = bias(law(5.0, 1.0), law(0.0, 1.0)), EdgeModel(dentine_bias_px=0.6)
    near, far = (both.edge_model(edge, dict.fromkeys(OF_THE_PICTURE, value)) for value in (5.0, 0.0))
    assert (near.dentine_bias_px, near.common_px) == pytest.approx((0.6, edge.common_px), abs=1e-6)
    assert (far.dentine_bias_px, far.enamel_bias_px) == pytest.approx((-0.2, 0.1), abs=1e-6)


def test_few_photos_do_not_make_a_narrow_law():
    """
    By hand: six equal photos, spread elsewhere 2: variance 4 * 4 / (5 + 4) * 7 / 6; and of sixty that spread
    by one, nearly their own (standard error of a spread of 60: 9 %).
    """
    other = law(0.0, 2.0)
    equal = own_law([dict.fromkeys(OF_THE_PICTURE, 3.0)] * 6, other)
    assert equal.sd["grain"] == pytest.approx(np.sqrt(16 / 9 * 7 / 6)) and equal.mean["grain"] == 3.0
    rng = np.random.default_rng(1)
    many = own_law([{n: float(rng.normal()) for n in OF_THE_PICTURE} for _ in range(60)], other)
    assert np.mean(list(many.sd.values())) == pytest.approx(1.0, abs=0.15)
    with pytest.raises(InputError, match="contrast"):
        own_law([{n: 0.0 for n in OF_THE_PICTURE if n != "contrast"}] * 6, other)


def test_the_file_gives_it_back_and_damage_is_one_sentence(tmp_path):
    path, given = tmp_path / LOOK_FILE, bias(law(1.0, 0.5), law(-0.5, 2.0))
    assert load_look_bias(tmp_path) is None
    write_look_bias(given, path)
    assert load_look_bias(tmp_path) == given
    good = path.read_text(encoding="utf-8")
    for old, new in (
        ("look_bias/1", "look_bias/9"),
        ("grain = 0.5", "grain = 0.0"),
        ("grain = 1.0", 'grain = "wide"'),
        ("dentine_bias_px = -0.2", "dentine_bias_px = nan"),
        ("dentine_bias_px", "tooth_bias_px"),
        ("[own.sd]", "[own.spread]"),
        ("[elsewhere]", "[elsewhere"),
    ):
        path.write_text(good.replace(old, new), encoding="utf-8")
        with pytest.raises(WeightsError, match=str(path)):
            load_look_bias(tmp_path)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The shipped weights as a folder of one's own."""
    home = find_set("shipped").folder
    shutil.copyfile(home / MANIFEST, tmp_path / MANIFEST)
    shutil.copyfile(home / EDGE_FILE, tmp_path / EDGE_FILE)
    (tmp_path / "weights").symlink_to(home / "weights")
    return tmp_path


def widths(result: Result) -> dict[tuple[int, int], float]:
    """Dentine widths with the scale taken out. [crop px]"""
    assert result.row is not None and result.frame is not None
    return {
        (tooth.position, crest.lobe): crest.dentine_px.value * result.frame.scale
        for tooth in result.row.teeth
        for crest in tooth.crests
        if crest.ratio is not None and crest.ratio.value > 0 and crest.dentine_px is not None
    }


def test_a_photo_is_read_with_the_bias_of_its_kind(folder):
    """
    Dentine of a photo that looks like the own ones has the own bias taken off, 1 px here, and of any other
    that of elsewhere; the identity of the set tells files apart.
    """
    before = find_set(manifest=folder / MANIFEST).identity()
    plain = Reader(ReadOptions(threads=1, manifest=folder / MANIFEST)).read(PHOTO, keep_maps=True)
    look = look_in(plain)
    here = LookLaw(photos=9, mean={n: look[n] for n in OF_THE_PICTURE}, sd=dict.fromkeys(OF_THE_PICTURE, 1.0))
    there = replace(here, mean={n: look[n] + 9.0 for n in OF_THE_PICTURE})
    edge = load_edge_model(folder)
    biases = {"dentine_bias_px": edge.dentine_bias_px - 1.0, "enamel_bias_px": edge.enamel_bias_px}
    for own, other, moved in ((here, there, 0.0), (there, here, 1.0)):
        write_look_bias(LookBias(own=own, elsewhere=other, **biases), folder / LOOK_FILE)
        read = widths(Reader(ReadOptions(threads=1, manifest=folder / MANIFEST)).read(PHOTO))
        known = widths(plain)
        assert read.keys() == known.keys() and len(read) > 3
        # A median over stations, of which a few may drop out or in as bands move.
        assert np.median([read[k] - known[k] for k in read]) == pytest.approx(moved, abs=0.05)
    assert find_set(manifest=folder / MANIFEST).identity() != before


def drawn_like(pixels: np.ndarray) -> Packed:
    """Crops in the form in which drawn pictures are kept, all of it the crown of one tooth."""
    images = torch.from_numpy(pixels).permute(0, 3, 1, 2)
    one = torch.ones((len(images), *images.shape[2:]), dtype=torch.uint8)
    crown = crown_code(one, 0 * one, 0 * one)
    material = 3 * one
    material[:, ::2] = 4
    return Packed(
        image=images, material=material, crown=crown, slow=one[:, None], blur=torch.zeros(len(images))
    )


def test_the_same_weights_have_not_moved_but_a_look_moves_them(folder):
    """
    The same network on the same picture: no move; and in the look of a print, whatever that does, it does to
    both.
    """
    start, edge = find_set("shipped"), load_edge_model(folder)
    crop = Reader(ReadOptions(threads=1)).read(PHOTO, keep_maps=True).crop
    assert crop is not None
    pictures = drawn_like(np.stack([crop, np.zeros_like(crop)]))
    assert moved_on_drawn(folder, start, pictures, edge) == Moves()
    print_ = torch.from_numpy(as_print(crop, np.random.default_rng(1))).permute(2, 0, 1).float() / 255
    one = pictures.material[0]
    look = crown_look(print_, one > 0, one)
    assert look is not None
    found = moved_on_drawn(folder, start, pictures, edge, [look])
    assert found.elsewhere == (0.0, 0.0) and found.here == found.look != (0.0, 0.0)


def test_one_picture_that_goes_astray_moves_nothing():
    """By hand: of ten, the two largest and the two smallest are left out; of four, none is."""
    moves = [(0.1 * k, -0.1 * k) for k in range(9)] + [(-9.0, 30.0)]
    # Dentine -9, 0, 0.1, ..., 0.8 leaves 0.1 to 0.6; enamel -0.8, ..., 0, 30 leaves -0.6 to -0.1.
    assert module._mean(moves) == pytest.approx((0.35, -0.35))
    assert module._mean(moves[:4]) == pytest.approx((0.15, -0.15))
    assert module._mean([]) == (0.0, 0.0)


def test_what_lies_elsewhere_comes_from_the_shipped_pictures_or_from_the_set_before(folder):
    shipped = elsewhere_of(find_set("shipped"))
    edge = load_edge_model(folder)
    assert shipped is not None and shipped[0].photos > 20
    assert shipped[1] == (edge.dentine_bias_px, edge.enamel_bias_px)
    own: WeightsSet = find_set(manifest=folder / MANIFEST)
    assert elsewhere_of(own) is None  # nothing beside these weights says what they were trained on
    write_look_bias(bias(law(1.0, 0.5), law(-0.5, 2.0)), folder / LOOK_FILE)
    assert elsewhere_of(own) == (law(-0.5, 2.0), (-0.2, 0.1))


def test_a_file_is_written_where_the_two_kinds_differ(folder):
    start, edge = find_set("shipped"), load_edge_model(folder)
    photos = [PHOTO.with_name(f"alder-fork-10{k}.jpg") for k in range(1, 8)]
    assert follow_look(folder, start, photos, (0.0, 0.02)) is None  # 0.02 px are nothing
    assert not (folder / LOOK_FILE).exists()
    write_edge_model(replace(edge, dentine_bias_px=edge.dentine_bias_px + 0.4), folder / EDGE_FILE)
    assert follow_look(folder, start, photos[:2], (0.1, 0.0)) is None  # two photos are no kind
    done = []
    found = follow_look(folder, start, photos, (0.1, 0.0), tell=lambda k, of: done.append((k, of)))
    assert found is not None and load_look_bias(folder) == found
    assert found.dentine_bias_px == pytest.approx(edge.dentine_bias_px + 0.1)
    assert done[-1] == (7, 7) and found.own.photos >= 5
    assert follow_look(folder, start, photos, (0.4, 0.0)) is None  # and taken away again
    assert not (folder / LOOK_FILE).exists()


def test_own_biases_go_along_with_the_move_elsewhere():
    """Without an own animal, all of the move."""
    base = EdgeModel(dentine_bias_px=0.2, enamel_bias_px=-0.1)
    alone = with_bias(base, {}, move=(0.3, -0.4))
    assert (alone.dentine_bias_px, alone.enamel_bias_px) == pytest.approx((0.5, -0.5))
