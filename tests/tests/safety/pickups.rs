//! Pickups that lie: miscounting, broken, dead and swapped ones.
