"""
XMP sidecars: a person's choice, and the measures, beside a frame and never in it.

ISO 16684-1 (XMP): xmp:Rating, xmp:Label, dc:description, and a namespace of our own for the measures. What another
program has written into the file is kept. The file lies beside the frame, under the frame's name with .xmp for its
ending: a raw file and its JPEG are one frame and share it. A frame whose name another frame shares but for the ending
has it behind the whole name.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from lxml import etree

from lampblack.daemon.clean import clean, clean_name
from lampblack.daemon.noted import Choice
from lampblack.daemon.whole import write_whole

X, RDF = "adobe:ns:meta/", "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
XMP, DC = "http://ns.adobe.com/xap/1.0/", "http://purl.org/dc/elements/1.1/"
OURS = "urn:lampblack:measures:1/"
"""Ends as XMP (ISO 16684-1) asks: toolkits add the stroke where it is missing, and the two would then differ."""
_BEFORE = "urn:lampblack:measures:1"  # what earlier sidecars have
_XML = "http://www.w3.org/XML/1998/namespace"
_BEGIN = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
_END = '\n<?xpacket end="w"?>\n'
_MOST_BYTES = 8 << 20


class SidecarError(Exception):
    """A sidecar can't be read or written; the text is one line for a person."""


def sidecar_of(frame: Path) -> Path:
    """Return where a frame's sidecar lies: one that is there already, under either name, else the plain one."""
    plain, whole = frame.with_suffix(".xmp"), frame.with_name(f"{frame.name}.xmp")
    return whole if whole.exists() and not plain.exists() else plain


def write_sidecar(path: Path, choice: Choice, measures: dict[str, str]) -> None:
    """
    Write a choice and measures into a sidecar; what else is in it stays as it was.

    Raises:
        SidecarError: what is there is no XMP, or it can't be written; nothing has changed then.
    """
    root = _parsed(path) if os.path.lexists(path) else _empty()
    own = _description(root)
    if choice.rating is not None:
        _set(root, own, f"{{{XMP}}}Rating", str(choice.rating))
    if choice.label is not None:
        _set(root, own, f"{{{XMP}}}Label", clean(choice.label, 60))
    if choice.why is not None:
        _set_description(root, own, clean(choice.why, 2000))
    _forget(root, _BEFORE)
    for name, value in measures.items():
        _set(root, own, f"{{{OURS}}}{name}", clean(value, 200))
    _replace(path, (_BEGIN + etree.tostring(root, encoding="unicode", pretty_print=True) + _END).encode())


def _parsed(path: Path) -> Any:
    name = clean_name(path)
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > _MOST_BYTES:
            raise SidecarError(f"{name} is no plain XMP file: move it away, and choose again.")
        # No entities, no network: the file is anybody's.
        parser = etree.XMLParser(
            resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, remove_blank_text=True
        )
        tree = etree.fromstring(path.read_bytes(), parser)
    except OSError as wrong:
        raise SidecarError(f"{name} can't be read ({wrong.strerror}): see to its permissions.") from None
    except etree.XMLSyntaxError as wrong:
        raise SidecarError(f"{name} is no XML ({wrong.msg}): move it away, and choose again.") from None
    if tree.tag == f"{{{RDF}}}RDF" or tree.find(f".//{{{RDF}}}RDF") is not None:
        return tree
    raise SidecarError(f"{name} is no XMP: move it away, and choose again.")


def _empty() -> Any:
    root = etree.Element(f"{{{X}}}xmpmeta", nsmap={"x": X})
    etree.SubElement(root, f"{{{RDF}}}RDF", nsmap={"rdf": RDF})
    return root


def _description(root: Any) -> Any:
    """Return the first description; the others stay."""
    rdf = root if root.tag == f"{{{RDF}}}RDF" else root.find(f".//{{{RDF}}}RDF")
    found = rdf.find(f"{{{RDF}}}Description")
    if found is None:
        found = etree.SubElement(rdf, f"{{{RDF}}}Description", nsmap={"xmp": XMP, "dc": DC, "lampblack": OURS})
        found.set(f"{{{RDF}}}about", "")
    return found


def _set(root: Any, own: Any, name: str, value: str) -> None:
    """Set a simple property, however it was written before: as an attribute, as an element, in any description."""
    for each in root.iter(f"{{{RDF}}}Description"):
        each.attrib.pop(name, None)
        for old in each.findall(name):
            each.remove(old)
    etree.SubElement(own, name, nsmap={_PREFIX[etree.QName(name).namespace]: etree.QName(name).namespace}).text = value


def _forget(root: Any, space: str) -> None:
    """Take out all properties of a namespace."""
    for each in root.iter(f"{{{RDF}}}Description"):
        for name in [name for name in each.attrib if etree.QName(name).namespace == space]:
            del each.attrib[name]
        for old in [child for child in each if isinstance(child.tag, str) and etree.QName(child).namespace == space]:
            each.remove(old)


_PREFIX = {XMP: "xmp", DC: "dc", OURS: "lampblack"}


def _set_description(root: Any, own: Any, text: str) -> None:
    """Set dc:description in its default language; what it says in others stays."""
    name, item = f"{{{DC}}}description", f"{{{RDF}}}li"
    found = next(iter(root.iter(name)), None)
    if found is None:
        found = etree.SubElement(own, name, nsmap={"dc": DC})
    options = found.find(f"{{{RDF}}}Alt")
    if options is None:
        found.text = None
        options = etree.SubElement(found, f"{{{RDF}}}Alt")
    default = next((li for li in options.findall(item) if li.get(f"{{{_XML}}}lang") == "x-default"), None)
    if default is None:
        default = etree.Element(item)
        default.set(f"{{{_XML}}}lang", "x-default")
        options.insert(0, default)
    default.text = text


def _replace(path: Path, data: bytes) -> None:
    try:
        write_whole(path, data)
    except OSError as wrong:
        raise SidecarError(
            f"{clean_name(path)} can't be written ({wrong.strerror}): make room, or see to the folder's permissions."
        ) from None
