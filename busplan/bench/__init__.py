"""One node on the bench, held against its definition: is it what its maker says it is?"""
