"""The only caller of the typesetter, the chart renderer and the code writer."""
