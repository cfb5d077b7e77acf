"""What is public of an archive, as a bag for strangers. Reads an archive, writes beside it, never into it."""

from stillwell.publishing.facts import LeftOut
from stillwell.publishing.public import CannotPublish
from stillwell.publishing.publish import Published, publish
from stillwell.publishing.words import published_text

__all__ = ["CannotPublish", "LeftOut", "Published", "publish", "published_text"]
