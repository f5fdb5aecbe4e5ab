"""What a study is made of: records, fields, findings, questions, answers and errors."""

from domatia.model.batch import Batch, Receipt, SourceFile
from domatia.model.check import Check
from domatia.model.dates import WrittenDate
from domatia.model.errors import CannotOpen, NewerFormat, StudyIsBusy, WrongUse
from domatia.model.fields import Field, all_fields, field, fields_of, kinds
from domatia.model.finding import Finding, Where
from domatia.model.profile import Profile, read_profile, shipped_profile, shipped_profiles
from domatia.model.question import Answer, Ask, Chart, Doubt, Effect, Found, Need, Question, Rows
from domatia.model.study import StudyData
from domatia.model.tables import as_table, body_schema, empty_table, table_schema

__all__ = [
    "Answer", "Ask", "Batch", "CannotOpen", "Chart", "Check", "Doubt", "Effect", "Field", "Finding", "Found", "Need",
    "NewerFormat", "Profile", "Question", "Receipt", "Rows", "SourceFile", "StudyData", "StudyIsBusy", "Where",
    "WrittenDate", "WrongUse", "all_fields", "as_table", "body_schema", "empty_table", "field", "fields_of", "kinds",
    "read_profile", "shipped_profile", "shipped_profiles", "table_schema",
]  # fmt: skip
