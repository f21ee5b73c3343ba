"""What the keeper's phone is told, and when: decisions and texts, without I/O.

    notice.py    a payload -> what is told; hours.py: quiet hours, times of day
    plan.py      what waits -> what is handed on now, alone or gathered; texts.py: its words
    vigil.py     whether watchd itself is heard; replies.py: what a person answers
    urls.py      the file of URLs: which URL is for which priorities

`watchd/shell/phone` keeps the queue, talks to the broker and hands on.
"""
