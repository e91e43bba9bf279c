"""Print the table list of the README."""

from pipeline.tables.catalogue import markdown_list

print(markdown_list(), end="")
