"""The station file: its model, its document that people edit, its sheet, a template."""
