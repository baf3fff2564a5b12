"""XMP packets: properties by name, for what Exif does not say (ISO 16684-1)."""

from __future__ import annotations

_MAX_BYTES = 4_000_000
_RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
_PREFIXES = {
    "http://ns.adobe.com/exif/1.0/": "exif",
    "http://ns.adobe.com/exif/1.0/aux/": "aux",
    "http://cipa.jp/exif/1.0/": "exifEX",
    "http://ns.adobe.com/tiff/1.0/": "tiff",
    "http://ns.adobe.com/xap/1.0/": "xmp",
    "http://ns.adobe.com/xap/1.0/mm/": "xmpMM",
}


def read_xmp(packet: bytes) -> dict[str, str]:
    """Simple properties (and the first entry of arrays) of the namespaces a camera's settings are written in.

    Parameters
    ----------
    packet : bytes
        The packet as the file holds it.

    Returns
    -------
    dict
        ``{"exif:FNumber": "71/10", ...}``; empty if the packet is no XML. Entities are not resolved.
    """
    if len(packet) > _MAX_BYTES:
        return {}
    from lxml import etree

    parser = etree.XMLParser(resolve_entities=False, no_network=True, recover=True, huge_tree=False, load_dtd=False)
    try:
        root = etree.fromstring(packet.strip(b"\0 \r\n\t"), parser)
    except (etree.XMLSyntaxError, ValueError):
        return {}
    if root is None:
        return {}
    found: dict[str, str] = {}
    for description in root.iter(f"{_RDF}Description"):
        for name, value in description.attrib.items():
            _keep(found, str(name), str(value))
        for child in description:
            if isinstance(child.tag, str):
                first = child.find(f".//{_RDF}li")
                held = first if first is not None else child
                _keep(found, child.tag, held.text or ("yes" if len(child) else ""))
    return found


def _keep(found: dict[str, str], name: str, value: str) -> None:
    space, _, local = name[1:].partition("}")
    prefix = _PREFIXES.get(space)
    if prefix and value.strip():
        found.setdefault(f"{prefix}:{local}", value.strip()[:1000])
