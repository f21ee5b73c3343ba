"""The language of conditions: text -> checked, compiled expression. It knows no batteries."""
