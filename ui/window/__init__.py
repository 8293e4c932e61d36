"""The technician's window.

Three layouts were sketched for somebody who holds a patient with both hands and looks up for half a second:
  columns     words left, curves right: both get too narrow, and a curve's time axis wants the whole width;
  one thing   words first, curves at a key: but the eyes and the words are needed at the same moment;
  bands       from top to bottom in the order in which they are needed. Chosen:

    head     patient code large, test, "recording" with its seconds: the wrong patient is the first mistake
    strip    only while something needs telling; never a dialog, which would stop a test
    page     of a test: RIGHT EYE | what to do now, the state, the seconds | LEFT EYE, as the technician sees
             the patient's face, so right and left are told by place; under it the curves over the whole width
    footer   every action with its key, the main one first: nothing has to be remembered, no mouse is needed

A page is a `Page` (page.py); the shell (shell.py) shows one at a time, hears the keys and calls its `tick`
30 times a second; colours and sizes are those of theme.py. Nothing here decides what a test is: it draws what
`ui.visit` says.
"""
