"""Sidecars: ours read back by another reader's rules, a foreign one kept, hostile ones refused."""

from __future__ import annotations

from pathlib import Path

import exiv2
import pytest
from lxml import etree
from PIL import Image

from lampblack.daemon.noted import Choice
from lampblack.daemon.sidecar import DC, OURS, RDF, XMP, SidecarError, sidecar_of, write_sidecar

FOREIGN = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/" x:xmptk="Another Toolkit 7.0">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:dc="http://purl.org/dc/elements/1.1/"
    xmlns:kiln="http://example.org/kiln/" xmp:Rating="2" kiln:cone="10">
   <dc:description><rdf:Alt><rdf:li xml:lang="x-default">old</rdf:li><rdf:li xml:lang="de">alt</rdf:li></rdf:Alt>
   </dc:description>
   <kiln:glaze><rdf:Bag><rdf:li>ash</rdf:li><rdf:li>iron</rdf:li></rdf:Bag></kiln:glaze>
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="w"?>"""
SPACES = {"rdf": RDF, "xmp": XMP, "dc": DC, "o": OURS, "kiln": "http://example.org/kiln/"}


def tree(path: Path) -> etree._Element:
    return etree.fromstring(path.read_bytes())


def value(path: Path, expression: str) -> str:
    """By attribute or element: XMP, part 1, allows both."""
    found = tree(path).xpath(expression, namespaces=SPACES)
    assert len(found) == 1, expression
    return str(found[0])


RATING = "//rdf:Description/@xmp:Rating | //rdf:Description/xmp:Rating/text()"


def test_a_new_sidecar_is_read_by_a_general_library(tmp_path: Path) -> None:
    path = tmp_path / "0001.xmp"
    write_sidecar(path, Choice(4, "select", "rim & glaze <hold>"), {"backdropP99": "5"})
    assert value(path, RATING) == "4"
    assert value(path, "//dc:description/rdf:Alt/rdf:li[@xml:lang='x-default']/text()") == "rim & glaze <hold>"
    assert value(path, "//o:backdropP99/text()") == "5"
    # Pillow's own XMP reader takes it from within a picture.
    picture = tmp_path / "a.jpg"
    Image.new("RGB", (2, 2)).save(picture, xmp=path.read_bytes())
    with Image.open(picture) as image:
        said = image.getxmp()
    assert said["xmpmeta"]["RDF"]["Description"]["Rating"] == "4"


def test_a_foreign_sidecar_keeps_what_is_not_ours(tmp_path: Path) -> None:
    path = tmp_path / "0001.xmp"
    path.write_text(FOREIGN, "utf-8")
    write_sidecar(path, Choice(5, None, "new"), {"frame": "1"})
    write_sidecar(path, Choice(3, None, None), {"frame": "1"})
    assert value(path, RATING) == "3"
    assert value(path, "//dc:description/rdf:Alt/rdf:li[@xml:lang='x-default']/text()") == "new"
    assert value(path, "//dc:description/rdf:Alt/rdf:li[@xml:lang='de']/text()") == "alt"
    assert value(path, "//@kiln:cone") == "10"
    assert tree(path).xpath("//kiln:glaze/rdf:Bag/rdf:li/text()", namespaces=SPACES) == ["ash", "iron"]
    assert [p.name for p in tmp_path.iterdir()] == ["0001.xmp"], "nothing is left lying about"


def read_by_exiv2(path: Path) -> dict[str, str]:
    """Exiv2 has the XMP toolkit inside that the standard grew from: its rules are the reference."""
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    return {datum.key(): str(datum.value()) for datum in image.xmpData()}


def test_the_reference_toolkit_reads_ours_and_both_keep_what_the_other_wrote(tmp_path: Path) -> None:
    path = tmp_path / "0001.xmp"
    write_sidecar(path, Choice(4, "select", 'rim & glaze <hold> "x"'), {"backdropP99": "5", "frame": "1"})
    assert read_by_exiv2(path) == {
        "Xmp.xmp.Rating": "4",
        "Xmp.xmp.Label": "select",
        "Xmp.dc.description": 'lang="x-default" rim & glaze <hold> "x"',
        "Xmp.lampblack.backdropP99": "5",
        "Xmp.lampblack.frame": "1",
    }
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    others = image.xmpData()
    others["Xmp.photoshop.City"], others["Xmp.dc.subject"] = "Kilnford", "jug"
    image.setXmpData(others)
    image.writeMetadata()
    write_sidecar(path, Choice(2, None, "new"), {"backdropP99": "7", "frame": "1"})
    said = read_by_exiv2(path)
    assert (said["Xmp.photoshop.City"], said["Xmp.dc.subject"], said["Xmp.xmp.Label"]) == ("Kilnford", "jug", "select")
    assert (said["Xmp.xmp.Rating"], said["Xmp.lampblack.backdropP99"]) == ("2", "7")
    assert path.read_text("utf-8").count("backdropP99") <= 2, "told once, in one namespace"


def test_measures_in_the_namespace_of_before_are_replaced(tmp_path: Path) -> None:
    path = tmp_path / "0001.xmp"
    write_sidecar(path, Choice(4, None, None), {"backdropP99": "5"})
    path.write_text(path.read_text("utf-8").replace(OURS, OURS.rstrip("/")), "utf-8")
    write_sidecar(path, Choice(4, None, None), {"backdropP99": "6"})
    assert value(path, "//o:backdropP99/text()") == "6"
    assert "5<" not in path.read_text("utf-8")


@pytest.mark.parametrize(
    "text",
    [
        "not xml",
        "<html/>",
        '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]><a>&b;</a>',
        "<x:xmpmeta xmlns:x='adobe:ns:meta/'/>",
    ],
)
def test_what_is_no_xmp_is_refused_and_left_as_it_was(tmp_path: Path, text: str) -> None:
    path = tmp_path / "0001.xmp"
    path.write_text(text)
    with pytest.raises(SidecarError) as refused:
        write_sidecar(path, Choice(1, None, None), {})
    assert "\n" not in str(refused.value)
    assert path.read_text() == text


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_text(FOREIGN)
    (tmp_path / "0001.xmp").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(SidecarError):
        write_sidecar(tmp_path / "0001.xmp", Choice(1, None, None), {})
    assert (tmp_path / "elsewhere").read_text() == FOREIGN


def test_a_sidecar_that_is_there_is_used_under_either_name(tmp_path: Path) -> None:
    frame = tmp_path / "0001.jpg"
    assert sidecar_of(frame).name == "0001.xmp"
    (tmp_path / "0001.jpg.xmp").write_text(FOREIGN)
    assert sidecar_of(frame).name == "0001.jpg.xmp"
    (tmp_path / "0001.xmp").write_text(FOREIGN)
    assert sidecar_of(frame).name == "0001.xmp"
