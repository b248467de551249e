"""The camera's grain: measured, drawn, topped up."""
