"""One page that says what was asked, what came out, and how far to trust it.

`page` puts it together from a module a section: `question`, `answer`, `pictures` (with what they
show in words, `alts`), `numbers`, `assumed`, `checks`, `repeat`. The template and the style sheet
lie beside them. Text from scenario files is data everywhere: escaped by the template, and made
visible where it would steer what is shown (`visible`).
"""
