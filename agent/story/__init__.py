"""The history of a site's outages, folded from its journal: what pictures and reports are made of.

`read.read_story` tells it from a state directory, whether or not an agent is at work there;
`model` has its words, `tell` folds entries to it, `wall` puts times on people's clocks, `ride`
fills the past of a ride-through's picture, and `foretold` has the agent write down what it
believes.
"""
