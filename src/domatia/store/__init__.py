"""The study file: open, migrate, append, read; SQLite and PostgreSQL behind one door."""

from domatia.store.hashing import body_hashes
from domatia.store.history import Identity, Import
from domatia.store.moments import Moment
from domatia.store.study import OpenStudy, create_study, open_study
from domatia.store.values import Value

__all__ = ["Identity", "Import", "Moment", "OpenStudy", "Value", "body_hashes", "create_study", "open_study"]
