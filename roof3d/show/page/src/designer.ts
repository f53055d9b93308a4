export class Designer { constructor(_a: unknown, _s: unknown) {} }
