"""Parcels against the usual BagIt library, coreutils and an independent ZIP reader.

Source of the format: RFC 8493, "The BagIt File Packaging Format (V1.0)", 2018; https://www.rfc-editor.org/rfc/rfc8493.
"""

import json
import shutil
import subprocess
import zipfile

import bagit
import pytest

from labkit.base import Estimate
from labkit.runs.share.parcel import open_parcel, peek_parcel
from labkit.runs.share.parcel_making import make_parcel
from labkit.runs.share.results import RunResults, results_text

# bagit 1.9.0 passes the flags of re.sub by position, of which Python 3.13 warns
pytestmark = pytest.mark.filterwarnings("ignore:'count' is passed as positional argument:DeprecationWarning")
RESULTS = results_text(RunResults(run="oak", numbers={"frequency_hz": Estimate.unknown(21.0)}))
LOG = "t [s],ax [mg]\n" + "".join(f"{k / 400:.4f},{(k * 37) % 11}\n" for k in range(200))


@pytest.fixture
def parcel(tmp_path):
    run = tmp_path / "oak, 8 mm"
    run.mkdir()
    (run / "run.toml").write_text('[panel]\nmaterial = "oak"\n')
    (run / "log é.csv").write_text(LOG)
    target = tmp_path / "oak.zip"
    make_parcel([run], target, licence="CC-BY-4.0", results=lambda folder: RESULTS, software={"rigidity-lab": "0"})
    return target


def test_the_bagit_library_finds_our_bag_valid_and_complete(tmp_path, parcel):
    shutil.unpack_archive(parcel, tmp_path / "plain")  # by the standard library alone
    for folder in (tmp_path / "plain" / "oak", open_parcel(parcel, tmp_path / "opened").path):
        bag = bagit.Bag(str(folder))
        assert bag.validate(processes=1)
        assert bag.version_info == (1, 0) and set(bag.algorithms) == {"sha256", "sha512"}
        assert not list(bag.compare_manifests_with_fs()[0]) and not list(bag.compare_manifests_with_fs()[1])
        assert bag.info["Payload-Oxum"].endswith(".4")
    (folder / "data" / "runs" / "oak, 8 mm" / "log é.csv").write_text(LOG + "1")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(folder)).validate(processes=1)


@pytest.mark.parametrize("program", ["sha256sum", "sha512sum"])
def test_coreutils_find_our_checksums_right(tmp_path, parcel, program):
    if shutil.which(program) is None:
        pytest.skip(f"no {program} here")
    folder = open_parcel(parcel, tmp_path / "opened").path
    for manifest in (f"manifest-{program[:-3]}.txt", f"tagmanifest-{program[:-3]}.txt"):
        done = subprocess.run([program, "--strict", "-c", manifest], cwd=folder, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr


def test_a_bag_made_by_the_bagit_library_opens(tmp_path):
    folder = tmp_path / "made" / "elm"
    run = folder / "runs" / "elm"
    run.mkdir(parents=True)
    (run / "run.toml").write_text('[panel]\nmaterial = "elm"\n')
    (run / "results.json").write_text(RESULTS)
    (run / "log.csv").write_text(LOG)
    (folder / "parcel.json").write_text(
        json.dumps({"format": "rigidity-lab parcel", "version": 1, "licence": "CC0-1.0"})
    )
    bagit.make_bag(str(folder), {"Contact-Name": "nobody"}, checksums=["sha256", "sha512"])
    shutil.make_archive(str(tmp_path / "elm"), "zip", tmp_path / "made", "elm")
    (run,) = peek_parcel(tmp_path / "elm.zip")
    assert run.name == "elm" and "log.csv" in run.digests
    opened = open_parcel(tmp_path / "elm.zip", tmp_path / "opened")
    assert (opened.run_folder("elm") / "log.csv").read_text() == LOG


def test_the_zip_is_sound_to_another_reader(parcel):
    with zipfile.ZipFile(parcel) as archive:
        assert archive.testzip() is None
        assert {name.split("/")[0] for name in archive.namelist()} == {"oak"}
    if shutil.which("unzip"):
        assert subprocess.run(["unzip", "-tqq", parcel], capture_output=True).returncode == 0
