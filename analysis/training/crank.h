// One engine turned by its starter, from the key to the end of the record: the forward model of the prior.
//
// The same text is compiled by NVRTC (one thread an engine) and by a C++ compiler (one call an engine), once for every
// number of cylinders NC. All quantities are shares: current of the mean running current, torque of the mean load, speed
// of the wanted speed, pressure of the air's, volume of the swept one. Only time is in seconds and angle in radians.
#if defined(__CUDACC__) || defined(__CUDACC_RTC__)
#define DEVICE __device__ __forceinline__
#define UNROLL _Pragma("unroll")
DEVICE float sine(float x) { return __sinf(x); }
DEVICE float cosine(float x) { return __cosf(x); }
DEVICE float one_over_root(float x) { return rsqrtf(x); }
DEVICE float exponential(float x) { return __expf(x); }
#else
#include <math.h>
#define DEVICE static inline
#define UNROLL
DEVICE float sine(float x) { return sinf(x); }
DEVICE float cosine(float x) { return cosf(x); }
DEVICE float one_over_root(float x) { return 1.0f / sqrtf(x); }
DEVICE float exponential(float x) { return expf(x); }
#endif

// The names of the columns, ANGLE and so on, are put in front of this text by `turning.py`.

// Flow through an orifice over that at the critical ratio; `r` is the low pressure over the high one.
DEVICE float nozzle(float r) {
    if (r < 0.53f) return 1.0f;
    float u = (r - 0.53f) * 2.1277f;
    return sqrtf(fmaxf(1.0f - u * u, 0.0f));
}

// Mass that leaves a cylinder at pressure `p` and temperature `T` in a unit of time, by one of six laws of leaking.
DEVICE float flow(float p, float T, int law, float x, float opens_at, float cos_angle) {
    if (law == 1) return 0.1f * (p * p - 1.0f);  // a long narrow gap
    if (law == 2) {                              // any power between
        float d = fabsf(p - 1.0f) + 1e-4f;
        return copysignf(exp2f(x * log2f(d) + (1.0f - x) * 3.3f), p - 1.0f);
    }
    if (law == 3) {  // a valve that lifts at a pressure
        float lift = fminf(fmaxf(p - opens_at, 0.0f), 1.0f);
        return p > 1.0f ? lift * p * nozzle(1.0f / p) * one_over_root(T) : 0.0f;
    }
    float f = p > 1.0f ? p * nozzle(1.0f / p) * one_over_root(T) : -nozzle(p);
    if (law == 4) f *= fmaxf(1.0f + x * cos_angle, 0.05f);               // a gap that changes along the stroke
    if (law == 5) f *= exp2f(x * log2f(fmaxf(p, 0.2f) * 0.125f));        // one that pressure widens or shuts
    return f;
}

// A number in 0..1 that depends on nothing but its three arguments.
DEVICE float chance(unsigned seed, unsigned cylinder, unsigned turn) {
    unsigned h = seed * 747796405u + cylinder * 2891336453u + turn * 277803737u + 12345u;
    h = ((h >> ((h >> 28) + 4u)) ^ h) * 277803737u;
    h = (h >> 22) ^ h;
    h = h * 747796405u + 2891336453u;
    h = ((h >> 16) ^ h) * 2246822519u;
    return (float)((h ^ (h >> 13)) >> 8) * 5.9604645e-8f;
}

// About normal with unit deviation, from three of the above.
DEVICE float bell(unsigned seed, unsigned cylinder, unsigned turn) {
    return 2.0f * (chance(seed, cylinder, 3u * turn) + chance(seed, cylinder + 97u, 3u * turn + 1u)
                   + chance(seed, cylinder + 193u, 3u * turn + 2u) - 1.5f);
}

// Saturation of a series field: the share of full flux at `u` times the knee.
DEVICE float saturation(float u, float sharpness) {
    return u > 1e-4f ? u * exp2f(-log2f(1.0f + exp2f(sharpness * log2f(u))) / sharpness) : 0.0f;
}

// A load locked to the crank: a cosine whose tops `peaky` narrows.
DEVICE float locked(float amount, float order, float phase, float peaky, float turn) {
    if (amount == 0.0f) return 0.0f;
    float c = cosine(order * turn + phase);
    return amount * (peaky > 0.01f ? exponential(peaky * (c - 1.0f)) * (1.0f + peaky) - 0.7f : c);
}

// engine: (COLUMNS, B); cylinder: (CYLINDER_COLUMNS, NC, B); current, angle: (steps / every, B); peak: (NC, B), the mean
// peak gauge pressure of the compressions counted; extra: (2, B), the fewest compressions counted and the in-rush.
template <int NC>
DEVICE void crank_one(int b, const float* __restrict__ engine, const float* __restrict__ cylinder,
                      float* __restrict__ current, float* __restrict__ angle,
                      float* __restrict__ peak, float* __restrict__ extra, int B, int steps, int every, float dt) {
#define E(k) engine[(size_t)(k) * B + b]
#define C(k, c) cylinder[((size_t)(k) * NC + (c)) * B + b]
    const float cycle = E(CYCLE), per_cycle = 1.0f / cycle, rod2 = E(ROD) * E(ROD), rod = E(ROD), gamma = E(GAMMA);
    const float heat = E(HEAT) * 1.4427f, wall = E(WALL), manifold = E(MANIFOLD), opens = E(EVO), gas = E(GAS);
    const float stall = E(STALL), knee = 1.0f / E(KNEE), sharp = E(SHARP), base = E(BASE_FLUX), reaction = E(REACTION);
    const float Ja = E(ARMATURE), Je = E(ENGINE), relax = dt / E(RELAX), fires_from = E(FIRES_FROM), shuts = E(SHUTS_AT);
    const float coil = 1.0f / E(COIL), polarise = 1.0f / E(POLAR_TIME);
    const float turning = 1.0f / E(RUN_LENGTH), slow = 1.0f / E(STRIBECK), flutter = E(SCATTER);
    const int firing = (int)E(FIRING), first_gap = (int)E(GASKET_A), second_gap = (int)E(GASKET_B);
    const unsigned seed = (unsigned)E(SEED);
    const float unit_flux = 1.0f / ((base + (1.0f - base) * saturation(knee, sharp)) * (1.0f - reaction / stall));
    float mass[NC], lift[NC], v0[NC], top[NC], sum[NC], p[NC], filled[NC], leaks[NC];
    int counted[NC], turns[NC];
    int closed = 0, fired = 0;
    UNROLL for (int c = 0; c < NC; c++) {
        mass[c] = 1.0f; lift[c] = 0.0f; v0[c] = 1.0f; top[c] = 0.0f; sum[c] = 0.0f; p[c] = 1.0f;
        filled[c] = C(FILL, c); leaks[c] = C(LEAK, c); counted[c] = 0; turns[c] = 0;
    }
    const float th0 = E(ANGLE);
    float th = th0, we = 0.0f, wa = 0.0f, i = 0.0f, polar = 0.0f, mean_i = 0.0f, mean_th = 0.0f, inrush = 0.0f;
    bool open = false;
    int k = 0, out = 0;
    for (int step = 0; step < steps; step++) {
        float t = step * dt, torque = 0.0f, rub = 0.0f, shake = 0.0f, pa = 1.0f, pb = 1.0f;
        UNROLL for (int c = 0; c < NC; c++) {
            float a = th - C(FIRES, c);
            a -= cycle * floorf(a * per_cycle + 0.5f);
            float sn = sine(a), cs = cosine(a), q = one_over_root(rod2 - sn * sn);
            float lifted = 0.5f * (1.0f + rod - cs - (rod2 - sn * sn) * q), dv = 0.5f * sn * (1.0f + cs * q);
            float v = C(CLEARANCE, c) + lifted, ivc = C(IVC, c), evo = C(EVO_OF, c);
            if (a >= ivc && a < evo) {
                if (!((closed >> c) & 1)) {
                    closed |= 1 << c; fired &= ~(1 << c); turns[c]++;
                    mass[c] = 1.0f; lift[c] = 0.0f; v0[c] = v; top[c] = 0.0f;
                    filled[c] = C(FILL, c) * (1.0f + flutter * bell(seed, c, turns[c]));
                    leaks[c] = C(LEAK, c) * exponential(C(FLUTTER, c) * bell(seed + 7u, c, turns[c]));
                }
                if (t > fires_from && a > E(SPARK) && ((firing >> c) & 1) && !((fired >> c) & 1)) {
                    fired |= 1 << c;
                    if (chance(seed + 3u, c, turns[c]) < E(CATCHES)) lift[c] += E(BOOST);
                }
                float start = manifold * filled[c];
                float pc = start * exp2f(gamma * log2f(v0[c] * mass[c] / v) + lift[c]);
                float T = fmaxf(pc * v / (start * v0[c] * mass[c]), 0.2f);
                float leak = leaks[c] + (t < shuts ? 300.0f : 0.0f) + (a > opens ? C(LOBE, c) : 0.0f);
                float f = flow(pc, T, (int)C(LAW, c), C(BEND, c), C(OPENS_AT, c), cs) * leak * dt / start;
                mass[c] = f > 0.0f ? mass[c] / (1.0f + f / mass[c]) : fminf(mass[c] - f, mass[c] + fabsf(pc - 1.0f) * 0.5f);
                mass[c] = fmaxf(mass[c], 0.003f);
                lift[c] -= heat * dt * (1.0f - wall / T);
                p[c] = pc;
                if (a < opens) top[c] = fmaxf(top[c], pc);
            } else {
                if ((closed >> c) & 1) {
                    closed &= ~(1 << c);
                    if (t > 0.45f && t > shuts + 0.1f && t < fires_from && a >= evo) { sum[c] += top[c] - 1.0f; counted[c]++; }
                }
                float target = a < ivc ? manifold * filled[c] : E(BACK_PRESSURE);
                p[c] += (target - p[c]) * relax;
            }
            float d = p[c] - 1.0f;
            torque += d * dv;
            rub += fabsf(d * dv) * 0.5f + fabsf(d) * fabsf(sn) * 0.1f;
            shake += sine(2.0f * a);
            if (c == first_gap) pa = p[c];
            if (c == second_gap) pb = p[c];
        }
        if (E(GASKET) > 0.0f) {  // two cylinders that leak into each other
            float hi = fmaxf(pa, pb), lo = fminf(pa, pb);
            float f = E(GASKET) * dt * hi * nozzle(lo / hi) * fminf(1.0f, (hi - lo) * 5.0f) * (pa > pb ? 1.0f : -1.0f);
            UNROLL for (int c = 0; c < NC; c++) {
                if (!((closed >> c) & 1)) continue;
                if (c == first_gap) mass[c] = fmaxf(mass[c] - f, 0.003f);
                if (c == second_gap) mass[c] = fmaxf(mass[c] + f, 0.003f);
            }
        }
        float turn = 6.2831853f * th * per_cycle;
        float dry = (E(DRY) + E(VISCOUS) * we + E(BREAKAWAY) * exponential(-we * slow));
        dry *= 1.0f + E(RUN_UP) * exponential(-(th - th0) * turning);
        float drive = gas * torque - E(SHAKE) * we * we * shake;
        float load = dry + E(RUBBING) * gas * rub + locked(E(LOAD_A), E(ORDER_A), E(PHASE_A), E(PEAKY_A), turn)
                     + locked(E(LOAD_B), E(ORDER_B), E(PHASE_B), E(PEAKY_B), turn) - drive;
        float ii = fmaxf(i, 0.0f);
        float flux = (base + (1.0f - base) * saturation(ii * knee, sharp)) * fmaxf(1.0f - reaction * ii / stall, 0.2f) * unit_flux;
        float volts = stall + E(BRUSH) * (1.0f - fminf(ii * 20.0f, 1.0f)) - E(POLAR) * polar - E(SAG) * stall * t;
        float ohms = 1.0f - E(POLAR) + E(WARM) * t;
        i = fmaxf((i + (volts - flux * (stall - 1.0f) * wa) * coil * dt) / (1.0f + ohms * coil * dt), 0.0f);
        polar += (i - polar) * polarise * dt;
        float pull = flux * i;
        if (!open) {
            if (we <= 0.0f && pull - load - E(STATIC) <= 0.0f) { we = 0.0f; wa = 0.0f; }
            else {
                float rate = (pull - load) / (Ja + Je);
                we = fmaxf(we + rate * dt, 0.0f); wa = we;
                if (pull - Ja * rate < 0.0f) open = true;
            }
        } else {
            wa = fmaxf(wa + (pull - E(DRAG)) / Ja * dt, 0.0f);
            we = we <= 0.0f && -load - E(STATIC) <= 0.0f ? 0.0f : fmaxf(we - load / Je * dt, 0.0f);
            if (wa >= we) { open = false; we = (Ja * wa + Je * we) / (Ja + Je); wa = we; }
        }
        th += we * E(SPEED) * dt;
        mean_i += i; mean_th += th;
        if (++k == every) {
            float mean = mean_i / every;
            current[(size_t)out * B + b] = mean;
            angle[(size_t)out * B + b] = mean_th / every;
            if (t < 0.5f) inrush = fmaxf(inrush, mean);
            out++; k = 0; mean_i = 0.0f; mean_th = 0.0f;
        }
    }
    int least = 1000;
    UNROLL for (int c = 0; c < NC; c++) {
        peak[(size_t)c * B + b] = sum[c] / fmaxf((float)counted[c], 1.0f);
        least = counted[c] < least ? counted[c] : least;
    }
    extra[b] = (float)least;
    extra[(size_t)B + b] = inrush;
#undef E
#undef C
}

#define ARGUMENTS const float *engine, const float *cylinder, float *current, float *angle, float *peak, float *extra
#if defined(__CUDACC__) || defined(__CUDACC_RTC__)
template <int NC>
__global__ void __launch_bounds__(128) crank(ARGUMENTS, int B, int steps, int every, float dt) {
    int b = blockIdx.x * blockDim.x + threadIdx.x;
    if (b < B) crank_one<NC>(b, engine, cylinder, current, angle, peak, extra, B, steps, every, dt);
}
#else  // CYLINDERS is given to the compiler: one number of them compiles in a tenth of the time that all take
extern "C" void crank(ARGUMENTS, int B, int steps, int every, float dt) {
    for (int b = 0; b < B; b++) crank_one<CYLINDERS>(b, engine, cylinder, current, angle, peak, extra, B, steps, every, dt);
}
#endif
