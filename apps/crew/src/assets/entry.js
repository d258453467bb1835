// The work-up's digit pad and species, filled in below.
export function start() {}
