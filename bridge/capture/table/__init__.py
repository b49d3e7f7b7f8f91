"""Tables: CSV and TSV of oscilloscopes and logic analysers."""
