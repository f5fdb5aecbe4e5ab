"""What a study is made of: records, fields, findings, questions, answers and errors."""
