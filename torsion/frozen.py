"""Frozen: what keeps a mapping in a result from being changed by one of those who share the result."""

from typing import Any, NoReturn, TypeVar

__all__ = ["FrozenDict"]

_Key = TypeVar("_Key")
_Value = TypeVar("_Value")


class FrozenDict(dict[_Key, _Value]):
    """A dict that cannot be changed once it is made.

    Unlike `types.MappingProxyType` it can be pickled and copied, as results that go to other processes must,
    and it is written as JSON as any dict.  Its ``copy()`` is a dict that can be changed.

    Examples
    --------
    >>> FrozenDict(iris=1) == {"iris": 1}
    True
    >>> FrozenDict(iris=1)["iris"] = 2
    Traceback (most recent call last):
    TypeError: a result cannot be changed; change a copy of its dict
    """

    __slots__ = ()

    def _refuse(self, *_: object, **__: object) -> NoReturn:
        msg = "a result cannot be changed; change a copy of its dict"
        raise TypeError(msg)

    __setitem__ = __delitem__ = __ior__ = _refuse
    clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (dict(self),)
