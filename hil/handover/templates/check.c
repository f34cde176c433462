/* Runs the law on recorded vectors and compares its outputs with the bench's. */
#include "law.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define INPUTS 17
#define OUTPUTS 13
#define MASKS 2 /* the last outputs are whole numbers */
#define LINE 4096

#ifdef LAW_SINGLE
#define TOLERANCE 1e-4 /* of full scale */
#define WRONG_MASKS 0.01 /* share of cycles: a limit that just begins or ends to act */
#else
#define TOLERANCE 1e-9
#define WRONG_MASKS 0.0
#endif

static const char *NAMES[OUTPUTS] = {
    "output_position_m", "output_velocity_m_s", "nut_velocity_m_s", "deflection_rate_m_s",
    "motor_force_N", "motor_heat", "deflection_m", "spring_force_N", "force_u95_N",
    "shaped_force_N", "torque_N_m", "limited", "tripped"};

static const double FULL[OUTPUTS] = LAW_FULL_SCALE;

static void run(struct Law *law, const double *in, double *out)
{
    const int begin = (int)in[0];
    if (begin == 3)
        Law_reference(law, in[1], (real)in[2]);
    else if (begin)
        Law_begin(law, begin);
    Law_sense(law, in[1], (real)in[2], (real)in[3], (real)in[4], (real)in[5], (real)in[6],
              (real)in[7], (int)in[8], (real)in[15]);
    if (in[9] > 0.5)
        Law_act(law, (real)in[10], (real)in[11], (real)in[12], (real)in[13], (real)in[14],
                (real)in[15], (real)in[16]);
    else
        Law_rest(law);
    out[0] = law->at_estimator.output_position_m;
    out[1] = law->at_estimator.output_velocity_m_s;
    out[2] = law->at_estimator.nut_velocity_m_s;
    out[3] = law->at_estimator.deflection_rate_m_s;
    out[4] = law->at_estimator.motor_force_N;
    out[5] = law->at_supervisor_heat.heat;
    out[6] = law->deflection_m;
    out[7] = law->spring_force_N;
    out[8] = law->force_u95_N;
    out[9] = law->shaped_force_N;
    out[10] = law->torque_N_m;
    out[11] = law->limited;
    out[12] = law->tripped;
}

static int check(const char *path)
{
    static char line[LINE];
    double worst[OUTPUTS] = {0};
    long cycles = 0, wrong[OUTPUTS] = {0};
    struct Law law;
    int bad = 0, i;
    FILE *file = fopen(path, "r");
    if (!file || !fgets(line, LINE, file)) {
        fprintf(stderr, "%s: cannot be read; run this from the folder c of the package\n", path);
        if (file) fclose(file);
        return 1;
    }
    law_init(&law);
    while (fgets(line, LINE, file)) {
        double row[INPUTS + OUTPUTS], out[OUTPUTS];
        char *at = line, *end;
        for (i = 0; i < INPUTS + OUTPUTS; i++) {
            row[i] = strtod(at, &end);
            if (end == at) {
                fprintf(stderr, "%s:%ld: column %d is not a number; unpack the package again\n",
                        path, cycles + 2, i + 1);
                fclose(file);
                return 1;
            }
            at = *end == ',' ? end + 1 : end;
        }
        run(&law, row, out);
        for (i = 0; i < OUTPUTS; i++) {
            const double expected = row[INPUTS + i], off = fabs(out[i] - expected);
            if (isnan(expected) != isnan(out[i])) wrong[i]++;
            if (isnan(expected) || isnan(out[i])) continue;
            if (i >= OUTPUTS - MASKS && off > 0.0) wrong[i]++;
            if (off > worst[i]) worst[i] = off;
        }
        cycles++;
    }
    fclose(file);
    for (i = 0; i < OUTPUTS; i++) {
        const int mask = i >= OUTPUTS - MASKS;
        const int fails = (double)wrong[i] > WRONG_MASKS * (double)cycles * mask
                          || (!mask && worst[i] > TOLERANCE * FULL[i]);
        if (fails) {
            bad = 1;
            printf("%s: %s is off by %.3g (full scale %.3g), %ld of %ld cycles wrong\n", path,
                   NAMES[i], worst[i], FULL[i], wrong[i], cycles);
        }
    }
    printf("%s: %ld cycles, law %s: %s\n", path, cycles, LAW_IDENTITY, bad ? "FAILED" : "passed");
    return bad || cycles == 0;
}

int main(int count, char **paths)
{
    int bad = count < 2, i;
    if (bad) fprintf(stderr, "usage: check VECTORS.csv ...\n");
    for (i = 1; i < count; i++) bad |= check(paths[i]);
    return bad;
}
