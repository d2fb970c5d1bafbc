"""The bench page: one file that walks a locksmith through one key.

`limits`, `moves`, `picture` and `spoken` are what the page says that no other command does; `page` gathers all its facts;
`html` makes the file; `parts` holds the template, the style sheet and the parts of the script.
"""
