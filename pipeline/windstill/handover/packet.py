"""One sidecar's XML (ISO 16684-1): words added to it, everything else left as it was.

Parsed and written by lxml, with entities unresolved and document types refused, so that a sidecar from someone else's
card can neither read files nor grow. Properties follow the standard: ``dc:subject`` is an ``rdf:Bag`` of words,
``xmp:Rating`` a number, -1 for rejected, 0 unrated, up to 5.
"""

from __future__ import annotations

import codecs
import copy
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from lxml import etree

import windstill

_X = "adobe:ns:meta/"
_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
_DC = "http://purl.org/dc/elements/1.1/"
_XMP = "http://ns.adobe.com/xap/1.0/"
_LISTS = tuple(f"{{{_RDF}}}{name}" for name in ("Bag", "Seq", "Alt"))
_NEW = (
    '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
    f'<x:xmpmeta xmlns:x="{_X}" x:xmptk="windstill {windstill.__version__}">\n'
    f' <rdf:RDF xmlns:rdf="{_RDF}">\n'
    '  <rdf:Description rdf:about=""/>\n'
    " </rdf:RDF>\n"
    "</x:xmpmeta>\n"
    '<?xpacket end="w"?>\n'
)
# Texts of two or four bytes to a character, which may rightly end in a NUL.
_WIDE = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)
_NO_XML = re.compile("[\ufffe\uffff]")


class BrokenSidecar(Exception):
    """A sidecar that cannot be added to; the message says why in a few words."""


@dataclass(frozen=True, slots=True)
class Words:
    """What is to be said of one exposure: keywords, and a rating where the photographer asked for one."""

    keywords: tuple[str, ...]
    rating: float | None = None


@dataclass(frozen=True, slots=True)
class Changed:
    """A sidecar with the words in it.

    Attributes
    ----------
    data : bytes
        The whole file; the very bytes given when nothing had to change.
    added, removed : tuple of str
        Keywords; only our own are ever removed.
    rating : float or None
        Written, or ``None``.
    rated_before : str
        The rating that is there and stays; empty if none.
    """

    data: bytes
    added: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    rating: float | None = None
    rated_before: str = ""


def with_words(data: bytes | None, words: Words, ours: Callable[[str], bool]) -> Changed:
    """Add words to a sidecar.

    Parameters
    ----------
    data : bytes or None
        The sidecar as it is; None for a new one.
    words : Words
    ours : callable
        Whether a keyword is one of ours: such a one that no longer holds is taken away.

    Raises
    ------
    BrokenSidecar
        It is no XMP, or holds a document type declaration.
    """
    tree = _parsed(_NEW.encode() if data is None else data)
    rdf = _rdf(tree)
    keywords = tuple(_NO_XML.sub("\ufffd", word) for word in words.keywords)
    bag = _bag(rdf)
    there = [(item.text or "").strip() for item in bag] if bag is not None else []
    removed = tuple(word for word in there if ours(word) and word not in keywords)
    added = tuple(word for word in keywords if word not in there)
    rated = rating_in(rdf)
    rating = words.rating if rated is None else None
    if not (added or removed or rating is not None) and data is not None:
        return Changed(data, rated_before=rated or "")
    if added or removed:
        keep_in = _new_bag(rdf) if bag is None else bag
        _take_away(keep_in, set(removed))
        for word in added:
            _append(keep_in, etree.Element(f"{{{_RDF}}}li"), word)
    if rating is not None:
        _append(_description(rdf), etree.Element(f"{{{_XMP}}}Rating", nsmap={"xmp": _XMP}), f"{rating:g}")
    return Changed(_written(tree, data), added, removed, rating, rated or "")


def without_words(data: bytes, keywords: Sequence[str]) -> bytes:
    """Take keywords out of a sidecar again; a list of keywords left empty goes too.

    Raises
    ------
    BrokenSidecar
        As `with_words`.
    """
    tree = _parsed(data)
    bag = _bag(_rdf(tree))
    if bag is None or not any((item.text or "").strip() in keywords for item in bag):
        return data
    _take_away(bag, set(keywords))
    subject = bag.getparent()
    if not len(bag) and subject is not None:
        _remove(subject)
    return _written(tree, data)


def rating_in(rdf: etree._Element) -> str | None:
    """The rating as it is written, or ``None``."""
    name = f"{{{_XMP}}}Rating"
    for description in rdf:
        if isinstance(description.tag, str):
            found = description.get(name)
            child = description.find(name)
            if found is not None:
                return found
            if child is not None:
                return (child.text or "").strip()
    return None


def _parsed(data: bytes) -> etree._ElementTree:
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, dtd_validation=False, huge_tree=False,
        recover=False, remove_blank_text=False, strip_cdata=False,
    )  # fmt: skip
    if b"<!DOCTYPE" in data.upper():
        raise BrokenSidecar("holds a document type declaration, which no sidecar needs")
    if not data.startswith(_WIDE):
        data = data.rstrip(b"\0 \r\n\t").removeprefix(codecs.BOM_UTF8)
    try:
        root = etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError) as err:
        why = (str(err).splitlines() or ["empty"])[0]
        raise BrokenSidecar(f"is no XML that can be read ({why})") from err
    tree = root.getroottree()
    if tree.docinfo.internalDTD is not None:  # in an encoding the search above cannot read
        raise BrokenSidecar("holds a document type declaration, which no sidecar needs")
    return tree


def _rdf(tree: etree._ElementTree) -> etree._Element:
    name = f"{{{_RDF}}}RDF"
    root = tree.getroot()
    found = [root] if root.tag == name else root.findall(name)
    if len(found) != 1:
        raise BrokenSidecar("is no XMP: it has no list of properties" if not found else "holds two lists of properties")
    return found[0]


def _bag(rdf: etree._Element) -> etree._Element | None:
    """The list of keywords."""
    found = [subject for description in rdf for subject in description.findall(f"{{{_DC}}}subject")]
    if any(description.get(f"{{{_DC}}}subject") is not None for description in rdf if isinstance(description.tag, str)):
        raise BrokenSidecar("holds its keywords in a form the standard does not know")
    if not found:
        return None
    lists = [child for child in found[0] if child.tag in _LISTS]
    if len(found) > 1 or len(lists) != 1:
        raise BrokenSidecar("holds its keywords in a form the standard does not know")
    return lists[0]


def _new_bag(rdf: etree._Element) -> etree._Element:
    subject = etree.Element(f"{{{_DC}}}subject", nsmap={"dc": _DC})
    _append(_description(rdf), subject)
    bag = etree.Element(f"{{{_RDF}}}Bag")
    _append(subject, bag)
    return bag


def _description(rdf: etree._Element) -> etree._Element:
    name = f"{{{_RDF}}}Description"
    for child in rdf:
        if child.tag == name:
            return child
    made = etree.Element(name)
    made.set(f"{{{_RDF}}}about", "")
    _append(rdf, made)
    return made


def _append(parent: etree._Element, child: etree._Element, text: str | None = None) -> None:
    """Add a child where the next one belongs, indented as its siblings are."""
    child.text = text
    depth = sum(1 for _ in parent.iterancestors()) + 1
    if len(parent):
        last = parent[-1]
        child.tail, last.tail = last.tail, parent.text if (parent.text or "").strip() == "" else last.tail
    else:
        parent.text, child.tail = "\n" + " " * depth, "\n" + " " * (depth - 1)
    parent.append(child)


def _take_away(bag: etree._Element, words: set[str]) -> None:
    for item in [item for item in bag if (item.text or "").strip() in words]:
        _remove(item)


def _remove(element: etree._Element) -> None:
    """Take an element out; the blank before it goes, the one after it stays."""
    parent, before = element.getparent(), element.getprevious()
    if parent is None:
        return
    if before is not None:
        before.tail = element.tail
    elif len(parent) == 1:
        parent.text = None
    parent.remove(element)


def _written(tree: etree._ElementTree, data: bytes | None) -> bytes:
    declared = data is not None and data.removeprefix(codecs.BOM_UTF8).startswith(b"<?xml")
    text = etree.tostring(copy.deepcopy(tree), encoding="UTF-8", xml_declaration=declared)
    return text if text.endswith(b"\n") else text + b"\n"
