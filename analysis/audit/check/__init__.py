"""The check of a finished study: do its files still agree with each other and with their hashes?

Each module looks at one kind of agreement and yields findings; none computes a result anew but the
means of athletes. What a check reads it takes as it stands in the folder, wherever that was moved.
"""
