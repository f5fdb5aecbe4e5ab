"""The databases that the store's tests run on."""

from tests.databases import new_place, place, postgres_address

__all__ = ["new_place", "place", "postgres_address"]
