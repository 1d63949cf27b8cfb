"""XML that a device answers: read without its document type, which could grow without bound."""

from __future__ import annotations

from xml.etree import ElementTree

from drivers.errors import DeviceGarbledError


class _PlainBuilder(ElementTree.TreeBuilder):
    """Builds elements, and takes no document type, in whatever encoding it comes."""

    def doctype(self, name: str, public: str | None, system: str | None) -> None:
        """Refuse it: entities are declared in there."""
        raise DeviceGarbledError("its XML brings a document type, which is not read")


def parsed(content: bytes) -> ElementTree.Element:
    """Return the root element of a reply.

    Raises:
        DeviceGarbledError: it is no XML, or brings a document type.
    """
    parser = ElementTree.XMLParser(target=_PlainBuilder())  # see _PlainBuilder
    try:
        parser.feed(content)
        root: ElementTree.Element = parser.close()
    except (ElementTree.ParseError, ValueError, LookupError) as error:  # also of its encoding
        raise DeviceGarbledError("what it answers is no XML") from error
    return root
