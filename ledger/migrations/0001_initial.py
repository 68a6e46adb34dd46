import django.core.validators
import django.db.models.deletion
import django.db.models.functions.text
import django.db.models.lookups
import ledger.ids
import ledger.models.establishments
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
    ]

    operations = [
        migrations.CreateModel(
            name='Entry',
            fields=[
                ('id', models.UUIDField(primary_key=True, serialize=False)),
                ('kind', models.CharField(max_length=60)),
                ('digest', models.CharField(max_length=64)),
            ],
            options={
                'ordering': ['-id'],
            },
        ),
        migrations.CreateModel(
            name='Establishment',
            fields=[
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('name', models.CharField(max_length=200)),
                ('address', models.TextField(max_length=1000)),
                ('country', models.CharField(max_length=2, validators=[django.core.validators.RegexValidator('\\A[A-Z]{2}\\Z', 'Give the two letters of ISO 3166-1.')])),
                ('time_zone', models.CharField(max_length=60, validators=[ledger.models.establishments.validate_time_zone])),
                ('altitude_m', models.SmallIntegerField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(-430), django.core.validators.MaxValueValidator(6000)])),
                ('phased_start_until', models.DateField(blank=True, null=True)),
                ('one_person_reason', models.TextField(blank=True, max_length=1000)),
                ('late_after_minutes', models.PositiveIntegerField(default=60, validators=[django.core.validators.MaxValueValidator(10080)])),
                ('decimal_comma', models.BooleanField(default=False)),
                ('reached_by', models.CharField(blank=True, max_length=200)),
                ('exercise_mailbox', models.EmailField(blank=True, max_length=254)),
                ('balance_gap_permille', models.PositiveSmallIntegerField(blank=True, null=True, validators=[django.core.validators.MaxValueValidator(1000)])),
                ('buyers_kept_days', models.PositiveSmallIntegerField(default=183, validators=[django.core.validators.MaxValueValidator(3660)])),
                ('gs1_prefixes', models.JSONField(blank=True, default=list)),
                ('gln', models.CharField(blank=True, max_length=13)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('name', ''), _negated=True), name='establishment_has_a_name'), models.CheckConstraint(condition=models.Q(('gln', ''), models.Q(django.db.models.lookups.Exact(django.db.models.functions.text.Length('gln'), 13), django.db.models.lookups.Exact(models.Func(models.F('gln'), models.Value('0123456789'), function='LTRIM', output_field=models.CharField()), models.Value(''))), _connector='OR'), name='establishment_gln_is_thirteen_digits')],
            },
        ),
        migrations.CreateModel(
            name='Leaf',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('position', models.PositiveIntegerField()),
            ],
            options={
                'ordering': ['seal', 'position'],
            },
        ),
        migrations.CreateModel(
            name='Membership',
            fields=[
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('role', models.CharField(choices=[('operator', 'operator'), ('supervisor', 'supervisor'), ('food-safety-lead', 'food-safety lead'), ('inspector', 'inspector'), ('administrator', 'administrator')], max_length=20)),
                ('from_day', models.DateField()),
                ('until_day', models.DateField(blank=True, null=True)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('role__in', ['operator', 'supervisor', 'food-safety-lead', 'inspector', 'administrator'])), name='membership_role_is_known'), models.CheckConstraint(condition=models.Q(('until_day__isnull', True), ('until_day__gt', models.F('from_day')), _connector='OR'), name='membership_ends_after_it_begins')],
            },
        ),
        migrations.CreateModel(
            name='Qualification',
            fields=[
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('performed_at', models.DateTimeField()),
                ('performed_offset', models.SmallIntegerField()),
                ('recorded_at', models.DateTimeField()),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('place', models.CharField(blank=True, max_length=120)),
                ('note', models.TextField(blank=True, max_length=4000)),
                ('reason', models.TextField(blank=True, max_length=1000)),
                ('withdrawn', models.BooleanField(default=False)),
                ('salts', models.JSONField(blank=True, default=dict)),
                ('request_digest', models.CharField(max_length=64)),
                ('form', models.PositiveSmallIntegerField()),
                ('digest', models.CharField(max_length=64)),
                ('title', models.CharField(max_length=200)),
                ('covers_plans', models.BooleanField()),
                ('evidence', models.TextField(max_length=2000)),
                ('issued_by', models.CharField(max_length=200)),
                ('valid_from', models.DateField()),
                ('valid_until', models.DateField(blank=True, null=True)),
            ],
            options={
                'ordering': ['-recorded_at', '-id'],
                'abstract': False,
                'constraints': [models.CheckConstraint(condition=models.Q(('performed_offset__gte', -840), ('performed_offset__lte', 840)), name='ledger_qualification_offset_is_of_this_earth'), models.CheckConstraint(condition=models.Q(('valid_until__isnull', True), ('valid_until__gt', models.F('valid_from')), _connector='OR'), name='qualification_ends_after_it_begins'), models.CheckConstraint(condition=models.Q(('evidence', ''), _negated=True), name='qualification_has_evidence')],
            },
        ),
        migrations.CreateModel(
            name='Removal',
            fields=[
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('performed_at', models.DateTimeField()),
                ('performed_offset', models.SmallIntegerField()),
                ('recorded_at', models.DateTimeField()),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('place', models.CharField(blank=True, max_length=120)),
                ('note', models.TextField(blank=True, max_length=4000)),
                ('reason', models.TextField(blank=True, max_length=1000)),
                ('withdrawn', models.BooleanField(default=False)),
                ('salts', models.JSONField(blank=True, default=dict)),
                ('request_digest', models.CharField(max_length=64)),
                ('form', models.PositiveSmallIntegerField()),
                ('digest', models.CharField(max_length=64)),
                ('removed_id', models.UUIDField(unique=True)),
                ('removed_kind', models.CharField(max_length=60)),
                ('removed_digest', models.CharField(max_length=64)),
                ('rule', models.TextField(max_length=1000)),
            ],
            options={
                'ordering': ['-recorded_at', '-id'],
                'abstract': False,
                'constraints': [models.CheckConstraint(condition=models.Q(('performed_offset__gte', -840), ('performed_offset__lte', 840)), name='ledger_removal_offset_is_of_this_earth'), models.CheckConstraint(condition=models.Q(('rule', ''), _negated=True), name='removal_names_its_rule')],
            },
        ),
        migrations.CreateModel(
            name='Seal',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('number', models.PositiveBigIntegerField()),
                ('previous', models.CharField(max_length=64)),
                ('root', models.CharField(max_length=64)),
                ('leaf_count', models.PositiveIntegerField()),
                ('sealed_at', models.DateTimeField()),
                ('hash', models.CharField(max_length=64)),
            ],
            options={
                'ordering': ['establishment', 'number'],
                'constraints': [models.CheckConstraint(condition=models.Q(('number__gte', 1)), name='seal_numbers_start_at_one'), models.CheckConstraint(condition=models.Q(('leaf_count__gte', 1)), name='seal_covers_something')],
            },
        ),
        migrations.CreateModel(
            name='Signature',
            fields=[
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('performed_at', models.DateTimeField()),
                ('performed_offset', models.SmallIntegerField()),
                ('recorded_at', models.DateTimeField()),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('place', models.CharField(blank=True, max_length=120)),
                ('note', models.TextField(blank=True, max_length=4000)),
                ('reason', models.TextField(blank=True, max_length=1000)),
                ('withdrawn', models.BooleanField(default=False)),
                ('salts', models.JSONField(blank=True, default=dict)),
                ('request_digest', models.CharField(max_length=64)),
                ('form', models.PositiveSmallIntegerField()),
                ('digest', models.CharField(max_length=64)),
                ('target_digest', models.CharField(max_length=64)),
                ('meaning', models.CharField(choices=[('recorded', 'recorded by me'), ('reviewed', 'reviewed by me'), ('approved', 'approved by me'), ('released', 'released by me'), ('decided', 'decided by me'), ('closed', 'closed by me')], max_length=12)),
                ('signer_name', models.CharField(max_length=120)),
            ],
            options={
                'ordering': ['-recorded_at', '-id'],
                'abstract': False,
                'constraints': [models.CheckConstraint(condition=models.Q(('performed_offset__gte', -840), ('performed_offset__lte', 840)), name='ledger_signature_offset_is_of_this_earth'), models.CheckConstraint(condition=models.Q(('meaning__in', ['recorded', 'reviewed', 'approved', 'released', 'decided', 'closed'])), name='signature_meaning_is_known')],
            },
        ),
        migrations.CreateModel(
            name='Token',
            fields=[
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('label', models.CharField(max_length=80)),
                ('key_hash', models.CharField(max_length=64, unique=True)),
                ('made_at', models.DateTimeField()),
                ('ends_at', models.DateTimeField()),
                ('revoked_at', models.DateTimeField(blank=True, null=True)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('ends_at__gt', models.F('made_at'))), name='token_ends_after_it_begins')],
            },
        ),
        migrations.CreateModel(
            name='Person',
            fields=[
                ('password', models.CharField(max_length=128, verbose_name='password')),
                ('last_login', models.DateTimeField(blank=True, null=True, verbose_name='last login')),
                ('version', models.PositiveIntegerField(default=1, editable=False)),
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('sign_in_name', models.CharField(max_length=60, unique=True, validators=[django.core.validators.RegexValidator('\\A[a-z0-9][a-z0-9._-]*\\Z', 'Small letters, digits, dot, dash, underscore.')])),
                ('name', models.CharField(max_length=120)),
                ('initials', models.CharField(max_length=6)),
                ('email', models.EmailField(blank=True, max_length=254)),
                ('is_active', models.BooleanField(default=True)),
            ],
            options={
                'ordering': ['id'],
                'constraints': [models.CheckConstraint(condition=models.Q(('name', ''), _negated=True), name='person_has_a_name'), models.CheckConstraint(condition=models.Q(models.Q(('sign_in_name', 'the-service'), _negated=True), ('is_active', False), _connector='OR'), name='the_service_does_not_sign_in')],
            },
        ),
        migrations.CreateModel(
            name='Change',
            fields=[
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('performed_at', models.DateTimeField()),
                ('performed_offset', models.SmallIntegerField()),
                ('recorded_at', models.DateTimeField()),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('place', models.CharField(blank=True, max_length=120)),
                ('note', models.TextField(blank=True, max_length=4000)),
                ('reason', models.TextField(blank=True, max_length=1000)),
                ('withdrawn', models.BooleanField(default=False)),
                ('salts', models.JSONField(blank=True, default=dict)),
                ('request_digest', models.CharField(max_length=64)),
                ('form', models.PositiveSmallIntegerField()),
                ('digest', models.CharField(max_length=64)),
                ('subject_kind', models.CharField(max_length=60)),
                ('subject_id', models.UUIDField()),
                ('before', models.JSONField(blank=True, default=dict)),
                ('after', models.JSONField(blank=True, default=dict)),
                ('corrects', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='corrected_by', to='ledger.change')),
                ('performed_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('recorded_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['-recorded_at', '-id'],
                'abstract': False,
                'indexes': [models.Index(fields=['subject_id', 'recorded_at'], name='ledger_chan_subject_cea253_idx')],
                'constraints': [models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='ledger_change_correction_has_a_reason'), models.CheckConstraint(condition=models.Q(('withdrawn', False), ('corrects__isnull', False), _connector='OR'), name='ledger_change_withdrawal_names_a_record'), models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('corrects', models.F('id')), _negated=True), _connector='OR'), name='ledger_change_does_not_correct_itself'), models.CheckConstraint(condition=models.Q(('performed_offset__gte', -840), ('performed_offset__lte', 840)), name='ledger_change_offset_is_of_this_earth')],
            },
        ),
        migrations.CreateModel(
            name='Unsealed',
            fields=[
                ('entry', models.OneToOneField(db_constraint=False, on_delete=django.db.models.deletion.PROTECT, primary_key=True, related_name='unsealed', serialize=False, to='ledger.entry')),
            ],
        ),
        migrations.CreateModel(
            name='Attachment',
            fields=[
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('performed_at', models.DateTimeField()),
                ('performed_offset', models.SmallIntegerField()),
                ('recorded_at', models.DateTimeField()),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('place', models.CharField(blank=True, max_length=120)),
                ('note', models.TextField(blank=True, max_length=4000)),
                ('reason', models.TextField(blank=True, max_length=1000)),
                ('withdrawn', models.BooleanField(default=False)),
                ('salts', models.JSONField(blank=True, default=dict)),
                ('request_digest', models.CharField(max_length=64)),
                ('form', models.PositiveSmallIntegerField()),
                ('digest', models.CharField(max_length=64)),
                ('file_name', models.CharField(max_length=200)),
                ('media_type', models.CharField(max_length=100)),
                ('size', models.PositiveBigIntegerField()),
                ('sha256', models.CharField(max_length=64)),
                ('corrects', models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='corrected_by', to='ledger.attachment')),
                ('performed_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('recorded_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('target', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='attachments', to='ledger.entry')),
            ],
            options={
                'ordering': ['-recorded_at', '-id'],
                'abstract': False,
                'indexes': [models.Index(fields=['target'], name='ledger_atta_target__3b108a_idx')],
                'constraints': [models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='ledger_attachment_correction_has_a_reason'), models.CheckConstraint(condition=models.Q(('withdrawn', False), ('corrects__isnull', False), _connector='OR'), name='ledger_attachment_withdrawal_names_a_record'), models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('corrects', models.F('id')), _negated=True), _connector='OR'), name='ledger_attachment_does_not_correct_itself'), models.CheckConstraint(condition=models.Q(('performed_offset__gte', -840), ('performed_offset__lte', 840)), name='ledger_attachment_offset_is_of_this_earth'), models.CheckConstraint(condition=models.Q(('size__gte', 1)), name='attachment_is_not_empty')],
            },
        ),
        migrations.CreateModel(
            name='SealHead',
            fields=[
                ('establishment', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, primary_key=True, related_name='seal_head', serialize=False, to='ledger.establishment')),
                ('number', models.PositiveBigIntegerField(default=0)),
                ('hash', models.CharField(default='0000000000000000000000000000000000000000000000000000000000000000', max_length=64)),
            ],
        ),
        migrations.AddField(
            model_name='entry',
            name='establishment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='ledger.establishment'),
        ),
        migrations.AddField(
            model_name='change',
            name='establishment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='ledger.establishment'),
        ),
        migrations.AddField(
            model_name='attachment',
            name='establishment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='ledger.establishment'),
        ),
        migrations.AddField(
            model_name='leaf',
            name='entry',
            field=models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='leaf', to='ledger.entry'),
        ),
        migrations.AddField(
            model_name='membership',
            name='establishment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='memberships', to='ledger.establishment'),
        ),
        migrations.AddField(
            model_name='membership',
            name='person',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='memberships', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='qualification',
            name='corrects',
            field=models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='corrected_by', to='ledger.qualification'),
        ),
        migrations.AddField(
            model_name='qualification',
            name='establishment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='ledger.establishment'),
        ),
        migrations.AddField(
            model_name='qualification',
            name='performed_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='qualification',
            name='person',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='qualifications', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='qualification',
            name='recorded_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='removal',
            name='corrects',
            field=models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='corrected_by', to='ledger.removal'),
        ),
        migrations.AddField(
            model_name='removal',
            name='establishment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='ledger.establishment'),
        ),
        migrations.AddField(
            model_name='removal',
            name='performed_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='removal',
            name='recorded_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='seal',
            name='establishment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='seals', to='ledger.establishment'),
        ),
        migrations.AddField(
            model_name='leaf',
            name='seal',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='leaves', to='ledger.seal'),
        ),
        migrations.AddField(
            model_name='signature',
            name='corrects',
            field=models.OneToOneField(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='corrected_by', to='ledger.signature'),
        ),
        migrations.AddField(
            model_name='signature',
            name='establishment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='ledger.establishment'),
        ),
        migrations.AddField(
            model_name='signature',
            name='performed_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='signature',
            name='recorded_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='signature',
            name='target',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='signatures', to='ledger.entry'),
        ),
        migrations.AddField(
            model_name='token',
            name='establishment',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='tokens', to='ledger.establishment'),
        ),
        migrations.AddField(
            model_name='token',
            name='person',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='tokens', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='unsealed',
            name='establishment',
            field=models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.PROTECT, related_name='+', to='ledger.establishment'),
        ),
        migrations.AddIndex(
            model_name='entry',
            index=models.Index(fields=['establishment', '-id'], name='ledger_entr_establi_f2bb5b_idx'),
        ),
        migrations.AddIndex(
            model_name='change',
            index=models.Index(fields=['establishment', '-recorded_at', '-id'], name='ledger_chan_establi_0baef6_idx'),
        ),
        migrations.AddIndex(
            model_name='attachment',
            index=models.Index(fields=['establishment', '-recorded_at', '-id'], name='ledger_atta_establi_c1ad83_idx'),
        ),
        migrations.AddConstraint(
            model_name='membership',
            constraint=models.UniqueConstraint(fields=('establishment', 'person', 'role'), name='membership_once_a_role'),
        ),
        migrations.AddIndex(
            model_name='qualification',
            index=models.Index(fields=['establishment', '-recorded_at', '-id'], name='ledger_qual_establi_eb2dff_idx'),
        ),
        migrations.AddConstraint(
            model_name='qualification',
            constraint=models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='ledger_qualification_correction_has_a_reason'),
        ),
        migrations.AddConstraint(
            model_name='qualification',
            constraint=models.CheckConstraint(condition=models.Q(('withdrawn', False), ('corrects__isnull', False), _connector='OR'), name='ledger_qualification_withdrawal_names_a_record'),
        ),
        migrations.AddConstraint(
            model_name='qualification',
            constraint=models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('corrects', models.F('id')), _negated=True), _connector='OR'), name='ledger_qualification_does_not_correct_itself'),
        ),
        migrations.AddIndex(
            model_name='removal',
            index=models.Index(fields=['establishment', '-recorded_at', '-id'], name='ledger_remo_establi_18dc53_idx'),
        ),
        migrations.AddConstraint(
            model_name='removal',
            constraint=models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='ledger_removal_correction_has_a_reason'),
        ),
        migrations.AddConstraint(
            model_name='removal',
            constraint=models.CheckConstraint(condition=models.Q(('withdrawn', False), ('corrects__isnull', False), _connector='OR'), name='ledger_removal_withdrawal_names_a_record'),
        ),
        migrations.AddConstraint(
            model_name='removal',
            constraint=models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('corrects', models.F('id')), _negated=True), _connector='OR'), name='ledger_removal_does_not_correct_itself'),
        ),
        migrations.AddConstraint(
            model_name='seal',
            constraint=models.UniqueConstraint(fields=('establishment', 'number'), name='seal_numbers_run_in_one_chain'),
        ),
        migrations.AddConstraint(
            model_name='leaf',
            constraint=models.UniqueConstraint(fields=('seal', 'position'), name='leaf_positions_are_taken_once'),
        ),
        migrations.AddIndex(
            model_name='signature',
            index=models.Index(fields=['establishment', '-recorded_at', '-id'], name='ledger_sign_establi_8125cd_idx'),
        ),
        migrations.AddIndex(
            model_name='signature',
            index=models.Index(fields=['target'], name='ledger_sign_target__ba076a_idx'),
        ),
        migrations.AddConstraint(
            model_name='signature',
            constraint=models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='ledger_signature_correction_has_a_reason'),
        ),
        migrations.AddConstraint(
            model_name='signature',
            constraint=models.CheckConstraint(condition=models.Q(('withdrawn', False), ('corrects__isnull', False), _connector='OR'), name='ledger_signature_withdrawal_names_a_record'),
        ),
        migrations.AddConstraint(
            model_name='signature',
            constraint=models.CheckConstraint(condition=models.Q(('corrects__isnull', True), models.Q(('corrects', models.F('id')), _negated=True), _connector='OR'), name='ledger_signature_does_not_correct_itself'),
        ),
        migrations.AddConstraint(
            model_name='signature',
            constraint=models.CheckConstraint(condition=models.Q(('performed_by', models.F('recorded_by'))), name='signature_is_by_the_signer'),
        ),
    ]
