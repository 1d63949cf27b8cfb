"""Notices: who is told, by which way, in which words, before and after what.

`notices` hands each to every `receiver`, which has a queue of its own and a `channel` (`webhook`,
`mail`, `syslog`, `service`) and `rules` of what it wants when. What waits is on the disk. `story`
raises what an outage has to tell, `hold` has the way out wait for it, `heartbeat` lets somebody
elsewhere notice our silence.
"""

from agent.notices.notices import Notices, Way
from agent.notices.receiver import KEEP_S, WAITING, Delivery
from agent.notices.signing import digest, signature

__all__ = ["KEEP_S", "WAITING", "Delivery", "Notices", "Way", "digest", "signature"]
