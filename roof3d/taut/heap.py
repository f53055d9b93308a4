"""A binary heap in arrays, least key first."""

from __future__ import annotations

from numba import njit


@njit(cache=True)
def push(heap_key, heap_node, size, key, node):  # type: ignore[no-untyped-def]
    """Put a node in; returns the new size."""
    i = size
    while i > 0:
        parent = (i - 1) >> 1
        if heap_key[parent] <= key:
            break
        heap_key[i] = heap_key[parent]
        heap_node[i] = heap_node[parent]
        i = parent
    heap_key[i] = key
    heap_node[i] = node
    return size + 1


@njit(cache=True)
def pop(heap_key, heap_node, size):  # type: ignore[no-untyped-def]
    """Take the least (at place 0) out; returns the new size."""
    key, node = heap_key[size - 1], heap_node[size - 1]
    size -= 1
    i = 0
    while True:
        child = 2 * i + 1
        if child >= size:
            break
        if child + 1 < size and heap_key[child + 1] < heap_key[child]:
            child += 1
        if heap_key[child] >= key:
            break
        heap_key[i] = heap_key[child]
        heap_node[i] = heap_node[child]
        i = child
    heap_key[i] = key
    heap_node[i] = node
    return size
