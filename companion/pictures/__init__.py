"""Pictures and tables of what the other rooms have computed: text for a terminal, and SVG."""
