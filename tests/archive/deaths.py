"""A writer that dies at a named step of its commit."""


class Death(BaseException):
    """The process is gone: no handler catches it, and nothing it would still do reaches the disk."""


def dying_at(step):
    """Give what a writer is told its steps with, which dies at one of them."""

    def told(name):
        if name == step:
            raise Death

    return told
